-- How long a clinic's invites can be redeemed, in milliseconds.
ALTER TABLE clinic ADD COLUMN invite_window INTEGER NOT NULL DEFAULT 259200000; -- 72 h

-- The slow hash of the short form of an invite's code; NULL for invites from before there was one.
ALTER TABLE invite ADD COLUMN short_hash BLOB;
CREATE UNIQUE INDEX invite_by_short ON invite (short_hash) WHERE short_hash IS NOT NULL;
