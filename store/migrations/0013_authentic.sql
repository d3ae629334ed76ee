-- voucher is a keyed hash of a row's columns that give power, so that nobody
-- without the master key can write or change such a row; see vouch.go.
ALTER TABLE bells ADD COLUMN voucher BLOB;
ALTER TABLE persons ADD COLUMN voucher BLOB;
ALTER TABLE consents ADD COLUMN voucher BLOB;
ALTER TABLE gallery ADD COLUMN voucher BLOB;
ALTER TABLE faces ADD COLUMN voucher BLOB;
ALTER TABLE checks ADD COLUMN voucher BLOB;
ALTER TABLE residents ADD COLUMN voucher BLOB;
ALTER TABLE tablets ADD COLUMN voucher BLOB;
ALTER TABLE sessions ADD COLUMN voucher BLOB;
ALTER TABLE links ADD COLUMN voucher BLOB;
ALTER TABLE programs ADD COLUMN voucher BLOB;
ALTER TABLE settings ADD COLUMN voucher BLOB;
ALTER TABLE holds ADD COLUMN voucher BLOB;
ALTER TABLE masks ADD COLUMN voucher BLOB;
ALTER TABLE erasures ADD COLUMN voucher BLOB;
ALTER TABLE erasing ADD COLUMN voucher BLOB;
ALTER TABLE removals ADD COLUMN voucher BLOB;
ALTER TABLE doors ADD COLUMN voucher BLOB;
ALTER TABLE door_rules ADD COLUMN voucher BLOB;
ALTER TABLE parcel_rules ADD COLUMN voucher BLOB;
ALTER TABLE sources ADD COLUMN voucher BLOB;
ALTER TABLE tokens ADD COLUMN voucher BLOB;
ALTER TABLE onetime ADD COLUMN voucher BLOB;
ALTER TABLE factors ADD COLUMN voucher BLOB;
ALTER TABLE misses ADD COLUMN voucher BLOB;
ALTER TABLE doubts ADD COLUMN voucher BLOB;
ALTER TABLE receivers ADD COLUMN voucher BLOB;
ALTER TABLE advice ADD COLUMN voucher BLOB;
ALTER TABLE trials ADD COLUMN voucher BLOB;
ALTER TABLE trial_rings ADD COLUMN voucher BLOB;

-- ledger holds, sealed, how many rows of each of these tables there are and the
-- sum of what their vouchers count for, so that a row that is deleted, or put
-- back as it once was, is missed.
CREATE TABLE ledger (
	id     INTEGER PRIMARY KEY CHECK (id = 1),
	sealed BLOB NOT NULL
) STRICT;
