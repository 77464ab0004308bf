-- A claim writes hundreds of reminders in one transaction, so what it writes is made narrower. Nothing is worked out anew.

-- What is answered of a reminder is put together once, by the program, and no more each time a claim changes when it is ready. What
-- was beside it for that alone is gone.
CREATE TABLE reminder_narrower (
	clinic_key    INTEGER NOT NULL REFERENCES clinic,
	due           INTEGER NOT NULL,
	id            BLOB NOT NULL CHECK (length(id) = 16),
	household_key INTEGER NOT NULL,
	learner_key   INTEGER NOT NULL,
	kind          TEXT NOT NULL,
	lapses        INTEGER NOT NULL,
	ready         INTEGER,          -- from when it may be claimed; NULL: not any more
	-- The ids of the reminder, of its learner and of its household; due, lapses, when the household was heard from last as in the
	-- projection, the night and the run as 8 bytes each; the kind. What is here twice can't differ.
	answer        BLOB NOT NULL CHECK (answer = CAST(id || substr(answer, 17, 32) || unhex(format('%016x%016x', due, lapses)) ||
		substr(answer, 65, 24) || kind AS BLOB)),
	PRIMARY KEY (clinic_key, due, id),
	FOREIGN KEY (household_key, learner_key) REFERENCES learner (household_key, learner_key)
) STRICT, WITHOUT ROWID;
INSERT INTO reminder_narrower
SELECT clinic_key, due, id, household_key, learner_key, kind, lapses, ready, CAST(id || learner_id || household_id ||
	unhex(format('%016x%016x%016x%016x%016x', due, lapses, heard, night, run)) || kind AS BLOB)
FROM reminder;
DROP TABLE reminder;
ALTER TABLE reminder_narrower RENAME TO reminder;
CREATE INDEX reminder_of_learner ON reminder (learner_key, id);
CREATE INDEX reminder_by_ready ON reminder (clinic_key, ready, id) WHERE ready IS NOT NULL;

-- That the household is there follows from the learner or the address, of which there is always one, and need not be looked up again.
CREATE TABLE delivery_narrower (
	household_key INTEGER NOT NULL,
	due           INTEGER NOT NULL,
	id            BLOB NOT NULL CHECK (length(id) = 16), -- of the reminder
	clinic_key    INTEGER NOT NULL, -- a copy of the household's, to find by it what is ready
	learner_key   INTEGER,          -- NULL: it verifies an address
	address       BLOB,             -- the id; NULL: it verifies none
	kind          TEXT NOT NULL,
	night         INTEGER NOT NULL,
	lapses        INTEGER NOT NULL,
	state         TEXT NOT NULL,
	claim         BLOB CHECK (claim IS NULL OR length(claim) = 16), -- of whoever holds or held it last
	until         INTEGER,          -- when the lease ends, or when it may be tried again
	repeatable    INTEGER NOT NULL,
	claims        INTEGER NOT NULL, -- how often it has been claimed
	changed       INTEGER,
	ready         INTEGER,          -- from when it may be claimed, as worked out from the rest; NULL: not any more
	tries         TEXT NOT NULL,    -- JSON
	PRIMARY KEY (household_key, due, id),
	CHECK (learner_key IS NOT NULL OR address IS NOT NULL),
	FOREIGN KEY (household_key, learner_key) REFERENCES learner (household_key, learner_key),
	FOREIGN KEY (household_key, address) REFERENCES address
) STRICT, WITHOUT ROWID;
INSERT INTO delivery_narrower SELECT * FROM delivery;
DROP TABLE delivery;
ALTER TABLE delivery_narrower RENAME TO delivery;
CREATE UNIQUE INDEX delivery_by_id ON delivery (id);
CREATE INDEX delivery_ready_code ON delivery (clinic_key, ready, id) WHERE learner_key IS NULL AND ready IS NOT NULL;
