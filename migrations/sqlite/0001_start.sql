-- Instants are UTC milliseconds since 1970; nights are days since 1970-01-01; ids are the 16 bytes of a UUID; JSON is
-- kept as the bytes that came. A *_key is the integer by which rows name each other and never leaves this file. Where a row
-- belongs to a household, so does what it refers to, and the foreign key says both. Every foreign key has an index to be
-- followed backwards by.

-- The one row that says which history this is.
CREATE TABLE meta (
	one   INTEGER PRIMARY KEY CHECK (one = 1),
	epoch BLOB NOT NULL CHECK (length(epoch) = 16)
) STRICT;

CREATE TABLE clinic (
	clinic_key    INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	name          TEXT NOT NULL,
	timezone      TEXT NOT NULL,
	second_factor TEXT NOT NULL,
	created       INTEGER NOT NULL
) STRICT;

CREATE TABLE member (
	member_key     INTEGER PRIMARY KEY,
	id             BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	clinic_key     INTEGER NOT NULL REFERENCES clinic,
	email          TEXT NOT NULL UNIQUE,
	name           TEXT NOT NULL,
	role           TEXT NOT NULL,
	password_hash  TEXT NOT NULL,
	totp_secret    TEXT NOT NULL,
	totp_since     INTEGER,
	totp_last_step INTEGER NOT NULL,
	created        INTEGER NOT NULL
) STRICT;
CREATE INDEX member_of_clinic ON member (clinic_key);

CREATE TABLE plan (
	plan_key   INTEGER PRIMARY KEY,
	id         BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	clinic_key INTEGER REFERENCES clinic, -- NULL: for all clinics
	name       TEXT NOT NULL,
	version    INTEGER NOT NULL,
	parameters BLOB NOT NULL,
	created    INTEGER NOT NULL
) STRICT;
CREATE INDEX plan_of_clinic ON plan (clinic_key);

CREATE TABLE household (
	household_key INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	clinic_key    INTEGER NOT NULL REFERENCES clinic,
	label         TEXT NOT NULL,
	created       INTEGER NOT NULL,
	head_rev      INTEGER NOT NULL DEFAULT 0, -- the newest revision of its entries
	head_chain    BLOB NOT NULL DEFAULT (zeroblob(32)) CHECK (length(head_chain) = 32)
) STRICT;
CREATE INDEX household_of_clinic ON household (clinic_key, id);

CREATE TABLE caregiver (
	caregiver_key   INTEGER PRIMARY KEY,
	id              BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	household_key   INTEGER NOT NULL REFERENCES household,
	name            TEXT NOT NULL,
	consent_version TEXT NOT NULL,
	consented       INTEGER,
	created         INTEGER NOT NULL,
	UNIQUE (household_key, caregiver_key)
) STRICT;
CREATE INDEX caregiver_of_household ON caregiver (household_key, id);

CREATE TABLE device (
	device_key    INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	household_key INTEGER NOT NULL REFERENCES household,
	caregiver_key INTEGER NOT NULL,
	name          TEXT NOT NULL,
	platform      TEXT NOT NULL,
	enrolled      INTEGER NOT NULL,
	heard         INTEGER,
	revoked       INTEGER,
	UNIQUE (household_key, device_key),
	FOREIGN KEY (household_key, caregiver_key) REFERENCES caregiver (household_key, caregiver_key)
) STRICT;
CREATE INDEX device_of_household ON device (household_key, id);

CREATE TABLE learner (
	learner_key   INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	household_key INTEGER NOT NULL REFERENCES household,
	nickname      TEXT NOT NULL,
	birth_month   TEXT NOT NULL,
	created       INTEGER NOT NULL,
	UNIQUE (household_key, learner_key)
) STRICT;
CREATE INDEX learner_of_household ON learner (household_key, id);

CREATE TABLE screening (
	screening_key INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	learner_key   INTEGER NOT NULL REFERENCES learner,
	member_key    INTEGER NOT NULL REFERENCES member, -- the clinician
	answers       TEXT NOT NULL,                      -- JSON
	decision      TEXT NOT NULL,
	note          TEXT NOT NULL,
	at            INTEGER NOT NULL
) STRICT;
CREATE INDEX screening_of_learner ON screening (learner_key, at);
CREATE INDEX screening_by_member ON screening (member_key);

CREATE TABLE enrolment (
	enrolment_key INTEGER PRIMARY KEY,
	id            BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	learner_key   INTEGER NOT NULL REFERENCES learner,
	plan_key      INTEGER NOT NULL REFERENCES plan,
	first_night   INTEGER NOT NULL,
	timezone      TEXT NOT NULL,
	reminder_at   INTEGER NOT NULL, -- minutes after midnight
	positions     TEXT NOT NULL,    -- JSON
	target        BLOB NOT NULL,    -- JSON, or empty
	status        TEXT NOT NULL,
	status_note   TEXT NOT NULL,
	ended_on      INTEGER NOT NULL, -- a night, where ended
	written       INTEGER NOT NULL
) STRICT;
CREATE INDEX enrolment_of_learner ON enrolment (learner_key);
CREATE INDEX enrolment_on_plan ON enrolment (plan_key);

CREATE TABLE invite (
	code_hash     BLOB PRIMARY KEY,
	household_key INTEGER NOT NULL REFERENCES household,
	caregiver_key INTEGER, -- NULL: somebody new
	expires       INTEGER NOT NULL,
	used          INTEGER,
	FOREIGN KEY (household_key, caregiver_key) REFERENCES caregiver (household_key, caregiver_key)
) STRICT, WITHOUT ROWID;
CREATE INDEX invite_of_household ON invite (household_key);

CREATE TABLE refresh_token (
	hash       BLOB PRIMARY KEY,
	family     BLOB NOT NULL CHECK (length(family) = 16),
	member_key INTEGER REFERENCES member,
	device_key INTEGER REFERENCES device,
	began      INTEGER NOT NULL,
	issued     INTEGER NOT NULL,
	expires    INTEGER NOT NULL,
	spent      INTEGER,
	superseded INTEGER NOT NULL,
	ended      INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX refresh_token_of_family ON refresh_token (family);
CREATE INDEX refresh_token_of_member ON refresh_token (member_key) WHERE member_key IS NOT NULL;
CREATE INDEX refresh_token_of_device ON refresh_token (device_key) WHERE device_key IS NOT NULL;

CREATE TABLE service_token (
	service_token_key INTEGER PRIMARY KEY,
	id                BLOB NOT NULL UNIQUE CHECK (length(id) = 16),
	clinic_key        INTEGER NOT NULL REFERENCES clinic,
	role              TEXT NOT NULL,
	issued            INTEGER NOT NULL,
	expires           INTEGER NOT NULL,
	revoked           INTEGER
) STRICT;
CREATE INDEX service_token_of_clinic ON service_token (clinic_key);

-- A household's entries lie side by side in the order of their revisions. The devices choose the ids, so they are unique
-- within a household only.
CREATE TABLE entry (
	household_key INTEGER NOT NULL REFERENCES household,
	rev           INTEGER NOT NULL,
	id            BLOB NOT NULL CHECK (length(id) = 16),
	learner_key   INTEGER,
	device_key    INTEGER,
	author_role   INTEGER NOT NULL, -- 1 caregiver, 2 clinician
	author        BLOB NOT NULL CHECK (length(author) = 16),
	status        TEXT NOT NULL,
	received      INTEGER NOT NULL, -- by the server that had it first
	stored        INTEGER NOT NULL, -- by this one
	clock_offset  INTEGER NOT NULL, -- nanoseconds
	schema        INTEGER NOT NULL,
	content       BLOB NOT NULL CHECK (length(content) = 32),
	chain         BLOB NOT NULL CHECK (length(chain) = 32),
	problem       BLOB NOT NULL,    -- JSON, or empty
	sent          BLOB NOT NULL,    -- JSON
	PRIMARY KEY (household_key, rev),
	FOREIGN KEY (household_key, learner_key) REFERENCES learner (household_key, learner_key),
	FOREIGN KEY (household_key, device_key) REFERENCES device (household_key, device_key)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX entry_by_id ON entry (household_key, id);

-- What is kept of a learner's fold. All of it can be made anew from the entries.
CREATE TABLE projection (
	learner_key     INTEGER PRIMARY KEY REFERENCES learner,
	clinic_key      INTEGER NOT NULL REFERENCES clinic,
	learner_id      BLOB NOT NULL CHECK (length(learner_id) = 16), -- a copy: it breaks ties in every order
	folded          INTEGER NOT NULL,
	until           INTEGER,
	next_due        INTEGER,
	reminders_until INTEGER,
	status          TEXT NOT NULL,
	urgency         INTEGER NOT NULL,
	urgency_down    INTEGER AS (-urgency) VIRTUAL,
	nights_wrong    INTEGER NOT NULL,
	wrong_down      INTEGER AS (-nights_wrong) VIRTUAL,
	heard           INTEGER NOT NULL, -- the zero instant where never, which sorts before all others
	nickname        TEXT NOT NULL,
	nickname_order  TEXT NOT NULL,    -- the nickname without regard to case
	flags           TEXT NOT NULL,    -- JSON
	roster_row      BLOB NOT NULL     -- JSON
) STRICT;
-- One for each order of the roster, ties by learner id. What comes from the top down is negated, so that both columns run
-- the same way and every page is one range of the index.
CREATE INDEX projection_by_urgency ON projection (clinic_key, urgency_down, learner_id);
CREATE INDEX projection_by_nickname ON projection (clinic_key, nickname_order, learner_id);
CREATE INDEX projection_by_heard ON projection (clinic_key, heard, learner_id);
CREATE INDEX projection_by_wrong ON projection (clinic_key, wrong_down, learner_id);
-- And for each way of going stale.
CREATE INDEX projection_by_until ON projection (clinic_key, until, learner_id);
CREATE INDEX projection_by_reminders ON projection (clinic_key, reminders_until, learner_id);
CREATE INDEX projection_by_folded ON projection (clinic_key, folded, learner_id);

CREATE TABLE night (
	learner_key INTEGER NOT NULL REFERENCES learner,
	night       INTEGER NOT NULL,
	changed_rev INTEGER NOT NULL,
	gone        INTEGER NOT NULL,
	doc         BLOB NOT NULL, -- JSON
	PRIMARY KEY (learner_key, night)
) STRICT, WITHOUT ROWID;

CREATE TABLE reminder (
	clinic_key  INTEGER NOT NULL REFERENCES clinic,
	due         INTEGER NOT NULL,
	id          BLOB NOT NULL CHECK (length(id) = 16),
	learner_key INTEGER NOT NULL REFERENCES learner,
	kind        TEXT NOT NULL,
	night       INTEGER NOT NULL,
	run         INTEGER NOT NULL,
	PRIMARY KEY (clinic_key, due, id)
) STRICT, WITHOUT ROWID;
CREATE INDEX reminder_of_learner ON reminder (learner_key);
