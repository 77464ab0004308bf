-- What is due, what becomes of it, and where it goes.

-- The reminders kept can be made anew, so they are dropped for a table that answers from its own rows: a page of what is due is one
-- range of it and looks nothing up. What it copies (household_id, learner_id, heard) is replaced with the projection.
DROP TABLE reminder;
CREATE TABLE reminder (
	clinic_key    INTEGER NOT NULL REFERENCES clinic,
	due           INTEGER NOT NULL,
	id            BLOB NOT NULL CHECK (length(id) = 16),
	household_key INTEGER NOT NULL,
	learner_key   INTEGER NOT NULL,
	household_id  BLOB NOT NULL CHECK (length(household_id) = 16),
	learner_id    BLOB NOT NULL CHECK (length(learner_id) = 16),
	kind          TEXT NOT NULL,
	night         INTEGER NOT NULL,
	run           INTEGER NOT NULL,
	heard         INTEGER NOT NULL, -- as in the projection
	lapses        INTEGER NOT NULL,
	ready         INTEGER,          -- from when it may be claimed; NULL: not any more
	-- All that is answered of it, with numbers as 8 bytes each, since one column is read far faster than ten. No instant is the zero
	-- one, the first of the year 1.
	answer        BLOB NOT NULL AS (CAST(id || learner_id || household_id || unhex(format('%016x%016x%016x%016x%016x%016x',
		due, lapses, heard, coalesce(ready, -62135596800000), night, run)) || kind AS BLOB)) STORED,
	PRIMARY KEY (clinic_key, due, id),
	FOREIGN KEY (household_key, learner_key) REFERENCES learner (household_key, learner_key)
) STRICT, WITHOUT ROWID;
CREATE INDEX reminder_of_learner ON reminder (learner_key, id);
CREATE INDEX reminder_by_ready ON reminder (clinic_key, ready, id) WHERE ready IS NOT NULL;

-- The first instant at which others than the reminders kept may be due. Every learner's reminders are to be worked out anew: they
-- count as lapsed since 1970.
ALTER TABLE projection ADD COLUMN reminders_renew INTEGER;
UPDATE projection SET next_due = NULL, reminders_until = 0, reminders_renew = 0;
CREATE INDEX projection_by_renew ON projection (clinic_key, reminders_renew, learner_id);

ALTER TABLE enrolment ADD COLUMN reminder_set INTEGER; -- when its reminder time was moved last; NULL: never

-- Why families are to be followed up: projected, as reminders are.
CREATE TABLE concern (
	clinic_key  INTEGER NOT NULL REFERENCES clinic,
	since       INTEGER NOT NULL,
	id          BLOB NOT NULL CHECK (length(id) = 16),
	learner_key INTEGER NOT NULL REFERENCES learner,
	reason      TEXT NOT NULL,
	night       INTEGER NOT NULL,
	run         INTEGER NOT NULL,
	PRIMARY KEY (clinic_key, since, id)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX concern_by_id ON concern (id);
CREATE INDEX concern_of_learner ON concern (learner_key);

-- What came of following a learner up. The concern itself may be no more.
CREATE TABLE follow_up (
	follow_up_key INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	concern       BLOB NOT NULL CHECK (length(concern) = 16),
	learner_key   INTEGER NOT NULL REFERENCES learner,
	member_key    INTEGER NOT NULL REFERENCES member, -- the clinician
	outcome       TEXT NOT NULL,
	note          TEXT NOT NULL,
	at            INTEGER NOT NULL
) STRICT;
CREATE INDEX follow_up_of_learner ON follow_up (learner_key);
CREATE INDEX follow_up_by_member ON follow_up (member_key);

-- Where the caregivers of a household want to be reminded: its addresses lie side by side.
CREATE TABLE address (
	household_key INTEGER NOT NULL REFERENCES household,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	caregiver_key INTEGER NOT NULL,
	channel       TEXT NOT NULL,
	sent_to       TEXT NOT NULL,    -- as the channel has it
	wanted        TEXT NOT NULL,    -- JSON
	created       INTEGER NOT NULL,
	verified      INTEGER,
	failing       INTEGER,
	code          BLOB CHECK (code IS NULL OR length(code) = 16), -- the id of the delivery that carries it
	code_asked    INTEGER,
	code_wrong    INTEGER NOT NULL, -- how many wrong ones have been typed
	PRIMARY KEY (household_key, id),
	UNIQUE (caregiver_key, channel, sent_to),
	FOREIGN KEY (household_key, caregiver_key) REFERENCES caregiver (household_key, caregiver_key)
) STRICT, WITHOUT ROWID;
CREATE INDEX device_in_use ON device (household_key, caregiver_key) WHERE revoked IS NULL; -- to count them

CREATE TABLE calendar_feed (
	feed_key      INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	household_key INTEGER NOT NULL REFERENCES household,
	caregiver_key INTEGER NOT NULL,
	hash          BLOB NOT NULL UNIQUE, -- of the secret part of its address
	created       INTEGER NOT NULL,
	FOREIGN KEY (household_key, caregiver_key) REFERENCES caregiver (household_key, caregiver_key)
) STRICT;
CREATE INDEX calendar_feed_of_caregiver ON calendar_feed (caregiver_key, id);
CREATE INDEX calendar_feed_of_household ON calendar_feed (household_key);

-- What has become of the reminders of a household, which lie side by side, and of the messages that verify its addresses.
CREATE TABLE delivery (
	household_key INTEGER NOT NULL REFERENCES household,
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
	FOREIGN KEY (household_key, learner_key) REFERENCES learner (household_key, learner_key),
	FOREIGN KEY (household_key, address) REFERENCES address
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX delivery_by_id ON delivery (id);
CREATE INDEX delivery_ready_code ON delivery (clinic_key, ready, id) WHERE learner_key IS NULL AND ready IS NOT NULL;

-- The fingerprints of the zones' rules by which what is kept was worked out.
CREATE TABLE zone_rules (
	zone  TEXT PRIMARY KEY,
	rules BLOB NOT NULL CHECK (length(rules) = 32)
) STRICT, WITHOUT ROWID;
CREATE INDEX enrolment_in_zone ON enrolment (timezone, learner_key);
