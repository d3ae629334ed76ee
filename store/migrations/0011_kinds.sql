-- That a parcel came with a visit, or somebody known, no longer waits for its
-- other frames to be examined.
UPDATE visits SET kind = iif(parcel, 'parcel', 'person')
	WHERE id IN (SELECT visit FROM stills WHERE state = 'pending')
		AND (parcel OR EXISTS (SELECT 1 FROM stills s JOIN faces f ON f.still = s.id
			WHERE s.visit = visits.id AND f.person IS NOT NULL));
UPDATE appearances SET kind = (SELECT kind FROM visits WHERE id = appearances.visit)
	WHERE visit IN (SELECT visit FROM stills WHERE state = 'pending');
