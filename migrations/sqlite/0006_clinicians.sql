-- Since when a clinician may not sign in. NULL: they may.
ALTER TABLE member ADD COLUMN disabled INTEGER;

-- What lets a clinician in once each in place of a one-time code: keyed hashes.
CREATE TABLE recovery_code (
	member_key INTEGER NOT NULL REFERENCES member,
	hash       BLOB NOT NULL,
	PRIMARY KEY (member_key, hash)
) STRICT, WITHOUT ROWID;

-- From where a clinician has signed in, as keyed hashes of the network, and when last.
CREATE TABLE known_address (
	member_key INTEGER NOT NULL REFERENCES member,
	hash       BLOB NOT NULL,
	last       INTEGER NOT NULL,
	PRIMARY KEY (member_key, hash)
) STRICT, WITHOUT ROWID;

-- Each call asks whether the family of its token has ended, and a family may have thousands of tokens.
CREATE INDEX refresh_token_ended ON refresh_token (family) WHERE ended = 1;
