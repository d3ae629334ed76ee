-- A visit's export and its page ask for the entries of the audit trail about it, whose
-- subject is "visit X", or ends so.
CREATE INDEX audit_by_visit ON audit (substr(subject, instr(' ' || subject, ' visit ') + 6))
	WHERE instr(' ' || subject, ' visit ') > 0;
