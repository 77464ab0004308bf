-- Instants are UTC milliseconds since 1970 and NULL where an optional one is zero; nights are days since 1970-01-01; JSON is kept as
-- the bytes that came. What people write, and whatever else may come from outside, is kept as the bytes of its UTF-8: a text of
-- PostgreSQL holds no U+0000, and bytes sort here as they do in the other engine. `SET bytea_output = 'escape'` makes them readable
-- in psql. Only words of the program's own are text, and sort by their bytes too.
--
-- The household is the first column of the primary key of all that belongs to one, and of every foreign key between such tables, so
-- that tables could be distributed by it. What stands beside that, for the whole store: the clinics with their members, plans and
-- trails, and the unique ids by which a thing is found of which nobody has said whose it is.

CREATE TABLE meta (
	one     integer PRIMARY KEY CHECK (one = 1),
	epoch   uuid NOT NULL,
	journal uuid -- NULL where none has been begun
);

CREATE TABLE clinic (
	id            uuid PRIMARY KEY,
	name          bytea NOT NULL,
	timezone      bytea NOT NULL,
	second_factor bytea NOT NULL,
	invite_window bigint NOT NULL, -- milliseconds
	created       bigint NOT NULL
);

CREATE TABLE member (
	id             uuid PRIMARY KEY,
	clinic         uuid NOT NULL REFERENCES clinic,
	email          bytea NOT NULL UNIQUE,
	name           bytea NOT NULL,
	role           bytea NOT NULL,
	password_hash  bytea NOT NULL,
	totp_secret    bytea NOT NULL,
	totp_since     bigint,
	totp_last_step bigint NOT NULL,
	created        bigint NOT NULL,
	disabled       bigint -- since when they may not sign in
);
CREATE INDEX member_of_clinic ON member (clinic, id);

-- What lets a clinician in once each in place of a one-time code: keyed hashes.
CREATE TABLE recovery_code (
	member uuid NOT NULL REFERENCES member,
	hash   bytea NOT NULL,
	PRIMARY KEY (member, hash)
);

-- From where a clinician has signed in, as keyed hashes of the network, and when last.
CREATE TABLE known_address (
	member uuid NOT NULL REFERENCES member,
	hash   bytea NOT NULL,
	last   bigint NOT NULL,
	PRIMARY KEY (member, hash)
);

CREATE TABLE plan (
	id         uuid PRIMARY KEY,
	clinic     uuid REFERENCES clinic, -- NULL: for all clinics
	name       bytea NOT NULL,
	version    bigint NOT NULL,
	parameters bytea NOT NULL, -- JSON
	created    bigint NOT NULL
);
CREATE INDEX plan_of_clinic ON plan (clinic);

CREATE TABLE service_token (
	id      uuid PRIMARY KEY,
	clinic  uuid NOT NULL REFERENCES clinic,
	role    bytea NOT NULL,
	issued  bigint NOT NULL,
	expires bigint NOT NULL,
	revoked bigint
);
CREATE INDEX service_token_of_clinic ON service_token (clinic, id);

-- Its row is what writers of a household take turns by.
CREATE TABLE household (
	id         uuid PRIMARY KEY,
	clinic     uuid NOT NULL REFERENCES clinic,
	label      bytea NOT NULL,
	created    bigint NOT NULL,
	head_rev   bigint NOT NULL DEFAULT 0, -- the newest revision of its entries
	head_chain bytea NOT NULL DEFAULT decode(repeat('00', 32), 'hex') CHECK (length(head_chain) = 32)
) WITH (fillfactor = 80);
CREATE INDEX household_of_clinic ON household (clinic, id);

CREATE TABLE caregiver (
	household       uuid NOT NULL REFERENCES household,
	id              uuid NOT NULL UNIQUE,
	name            bytea NOT NULL,
	consent_version bytea NOT NULL,
	consented       bigint,
	withdrawn       bigint, -- when consent was withdrawn; NULL while it stands
	withdrawn_rev   bigint, -- and the household's newest revision then
	created         bigint NOT NULL,
	PRIMARY KEY (household, id)
);

CREATE TABLE device (
	household uuid NOT NULL,
	id        uuid NOT NULL UNIQUE,
	caregiver uuid NOT NULL,
	name      bytea NOT NULL,
	platform  bytea NOT NULL,
	enrolled  bigint NOT NULL,
	heard     bigint,
	revoked   bigint,
	PRIMARY KEY (household, id),
	FOREIGN KEY (household, caregiver) REFERENCES caregiver
) WITH (fillfactor = 80);
CREATE INDEX device_of_caregiver ON device (household, caregiver);

CREATE TABLE learner (
	household   uuid NOT NULL REFERENCES household,
	id          uuid NOT NULL UNIQUE,
	nickname    bytea NOT NULL,
	birth_month bytea NOT NULL,
	created     bigint NOT NULL,
	PRIMARY KEY (household, id)
);

CREATE TABLE screening (
	household uuid NOT NULL,
	id        uuid NOT NULL UNIQUE,
	learner   uuid NOT NULL,
	member    uuid NOT NULL REFERENCES member, -- the clinician
	answers   bytea NOT NULL,                  -- JSON
	decision  bytea NOT NULL,
	note      bytea NOT NULL,
	at        bigint NOT NULL,
	nth       bigint GENERATED ALWAYS AS IDENTITY, -- in the order in which a household's were written
	PRIMARY KEY (household, id),
	FOREIGN KEY (household, learner) REFERENCES learner
);
CREATE INDEX screening_of_learner ON screening (household, learner, at, nth);
CREATE INDEX screening_by_member ON screening (member);

CREATE TABLE enrolment (
	household    uuid NOT NULL,
	id           uuid NOT NULL UNIQUE,
	learner      uuid NOT NULL,
	plan         uuid NOT NULL REFERENCES plan,
	first_night  integer NOT NULL,
	timezone     text COLLATE "C" NOT NULL,
	reminder_at  smallint NOT NULL, -- minutes after midnight
	positions    bytea NOT NULL,    -- JSON
	target       bytea NOT NULL,    -- JSON, or empty
	status       bytea NOT NULL,
	status_note  bytea NOT NULL,
	ended_on     integer NOT NULL,  -- a night, where ended
	written      bigint NOT NULL,
	reminder_set bigint,            -- when its reminder time was moved last; NULL: never
	nth          bigint GENERATED ALWAYS AS IDENTITY, -- in the order in which a household's were written
	PRIMARY KEY (household, id),
	FOREIGN KEY (household, learner) REFERENCES learner
);
CREATE INDEX enrolment_of_learner ON enrolment (household, learner);
CREATE INDEX enrolment_on_plan ON enrolment (plan);
CREATE INDEX enrolment_in_zone ON enrolment (timezone, learner);

CREATE TABLE invite (
	household  uuid NOT NULL REFERENCES household,
	code_hash  bytea NOT NULL UNIQUE,
	short_hash bytea UNIQUE, -- the slow hash of the short form of its code; NULL where there is none
	caregiver  uuid,         -- NULL: somebody new
	expires    bigint NOT NULL,
	used       bigint,
	PRIMARY KEY (household, code_hash),
	FOREIGN KEY (household, caregiver) REFERENCES caregiver
);
CREATE INDEX invite_for_caregiver ON invite (household, caregiver) WHERE caregiver IS NOT NULL;

-- A token is a clinician's or a device's, and is found by nothing but its hash. A household's are those of its devices.
CREATE TABLE refresh_token (
	hash       bytea PRIMARY KEY,
	family     uuid NOT NULL,
	member     uuid REFERENCES member,
	household  uuid,
	device     uuid,
	began      bigint NOT NULL,
	issued     bigint NOT NULL,
	expires    bigint NOT NULL,
	spent      bigint,
	superseded boolean NOT NULL,
	ended      boolean NOT NULL,
	FOREIGN KEY (household, device) REFERENCES device
);
CREATE INDEX refresh_token_of_family ON refresh_token (family);
CREATE INDEX refresh_token_ended ON refresh_token (family) WHERE ended; -- each call asks, and a family may have thousands of tokens
CREATE INDEX refresh_token_of_member ON refresh_token (member) WHERE member IS NOT NULL;
CREATE INDEX refresh_token_of_device ON refresh_token (household, device) WHERE household IS NOT NULL;

-- The devices choose the ids, so they are unique within a household only.
CREATE TABLE entry (
	household    uuid NOT NULL REFERENCES household,
	rev          bigint NOT NULL,
	id           uuid NOT NULL,
	learner      uuid,
	device       uuid,
	author_role  smallint NOT NULL, -- 1 caregiver, 2 clinician
	author       uuid NOT NULL,
	status       bytea NOT NULL,
	received     bigint NOT NULL, -- by the server that had it first
	stored       bigint NOT NULL, -- by this history of the store
	clock_offset bigint NOT NULL, -- nanoseconds
	schema       bigint NOT NULL,
	content      bytea NOT NULL CHECK (length(content) = 32),
	chain        bytea NOT NULL CHECK (length(chain) = 32),
	problem      bytea NOT NULL,  -- JSON, or empty
	sent         bytea NOT NULL,  -- JSON
	PRIMARY KEY (household, rev),
	UNIQUE (household, id),
	FOREIGN KEY (household, learner) REFERENCES learner,
	FOREIGN KEY (household, device) REFERENCES device
);

-- What is kept of a learner's fold. All of it can be made anew from the entries.
CREATE TABLE projection (
	household       uuid NOT NULL,
	learner         uuid NOT NULL,
	clinic          uuid NOT NULL, -- a copy of the household's, to find by it what is asked of a clinic
	folded          bigint NOT NULL,
	until           bigint,
	next_due        bigint,
	reminders_until bigint,
	reminders_renew bigint,        -- the first instant at which others than the reminders kept may be due
	status          bytea NOT NULL,
	urgency         bigint NOT NULL,
	nights_wrong    bigint NOT NULL,
	heard           bigint NOT NULL, -- the zero instant where never, which sorts before all others
	nickname        bytea NOT NULL,
	nickname_order  bytea NOT NULL,  -- the nickname without regard to case
	flags           bytea[] NOT NULL,
	roster_row      bytea NOT NULL,  -- JSON
	basis           bytea NOT NULL CHECK (length(basis) = 32),
	weighed         bytea,           -- JSON; NULL: not weighed as it is now
	verdict         bytea NOT NULL,
	nearness        bigint NOT NULL,
	PRIMARY KEY (household, learner),
	FOREIGN KEY (household, learner) REFERENCES learner
) WITH (fillfactor = 70);
-- One for each order of the roster, ties by learner. What comes from the top down is negated, so that both columns run the same way
-- and every page is one range of the index.
CREATE INDEX projection_by_urgency ON projection (clinic, (-urgency), learner);
CREATE INDEX projection_by_nickname ON projection (clinic, nickname_order, learner);
CREATE INDEX projection_by_heard ON projection (clinic, heard, learner);
CREATE INDEX projection_by_wrong ON projection (clinic, (-nights_wrong), learner);
CREATE INDEX projection_by_nearness ON projection (clinic, (-nearness), learner);
CREATE INDEX projection_unweighed ON projection (clinic, learner) WHERE weighed IS NULL;
-- And for each way of going stale.
CREATE INDEX projection_by_until ON projection (clinic, until, learner);
CREATE INDEX projection_by_reminders ON projection (clinic, reminders_until, learner);
CREATE INDEX projection_by_renew ON projection (clinic, reminders_renew, learner);
CREATE INDEX projection_by_folded ON projection (clinic, folded, learner);

CREATE TABLE night (
	household   uuid NOT NULL,
	learner     uuid NOT NULL,
	night       integer NOT NULL,
	changed_rev bigint NOT NULL,
	gone        boolean NOT NULL,
	doc         bytea NOT NULL, -- JSON
	PRIMARY KEY (household, learner, night),
	FOREIGN KEY (household, learner) REFERENCES learner
);

CREATE TABLE reminder (
	household uuid NOT NULL,
	learner   uuid NOT NULL,
	id        uuid NOT NULL,
	clinic    uuid NOT NULL, -- as in the projection
	due       bigint NOT NULL,
	lapses    bigint NOT NULL,
	kind      text COLLATE "C" NOT NULL,
	night     integer NOT NULL,
	run       bigint NOT NULL,
	heard     bigint NOT NULL, -- as in the projection
	ready     bigint,          -- from when it may be claimed; NULL: not any more
	PRIMARY KEY (household, learner, id),
	FOREIGN KEY (household, learner) REFERENCES learner
);
CREATE INDEX reminder_by_due ON reminder (clinic, due, id);
CREATE INDEX reminder_by_ready ON reminder (clinic, ready, id) WHERE ready IS NOT NULL;

-- Why families are to be followed up: projected, as reminders are.
CREATE TABLE concern (
	household uuid NOT NULL,
	learner   uuid NOT NULL,
	id        uuid NOT NULL UNIQUE,
	clinic    uuid NOT NULL, -- as in the projection
	since     bigint NOT NULL,
	reason    text COLLATE "C" NOT NULL,
	night     integer NOT NULL,
	run       bigint NOT NULL,
	PRIMARY KEY (household, learner, id),
	FOREIGN KEY (household, learner) REFERENCES learner
);
CREATE INDEX concern_by_since ON concern (clinic, since, id);

-- What came of following a learner up. The concern itself may be no more.
CREATE TABLE follow_up (
	household uuid NOT NULL,
	id        uuid NOT NULL UNIQUE,
	concern   uuid NOT NULL,
	learner   uuid NOT NULL,
	member    uuid NOT NULL REFERENCES member, -- the clinician
	outcome   bytea NOT NULL,
	note      bytea NOT NULL,
	at        bigint NOT NULL,
	nth       bigint GENERATED ALWAYS AS IDENTITY, -- in the order in which a household's were written
	PRIMARY KEY (household, id),
	FOREIGN KEY (household, learner) REFERENCES learner
);
CREATE INDEX follow_up_of_learner ON follow_up (household, learner);
CREATE INDEX follow_up_by_member ON follow_up (member);

-- Where the caregivers of a household want to be reminded.
CREATE TABLE address (
	household  uuid NOT NULL,
	id         uuid NOT NULL UNIQUE,
	caregiver  uuid NOT NULL,
	channel    bytea NOT NULL,
	sent_to    bytea NOT NULL, -- as the channel has it
	wanted     bytea NOT NULL, -- JSON
	created    bigint NOT NULL,
	verified   bigint,
	failing    bigint,
	code       uuid,            -- the id of the delivery that carries it
	code_asked bigint,
	code_wrong bigint NOT NULL, -- how many wrong ones have been typed
	PRIMARY KEY (household, id),
	UNIQUE (household, caregiver, channel, sent_to),
	FOREIGN KEY (household, caregiver) REFERENCES caregiver
);

CREATE TABLE calendar_feed (
	household uuid NOT NULL,
	id        uuid NOT NULL UNIQUE,
	caregiver uuid NOT NULL,
	hash      bytea NOT NULL UNIQUE, -- of the secret part of its address
	created   bigint NOT NULL,
	PRIMARY KEY (household, id),
	FOREIGN KEY (household, caregiver) REFERENCES caregiver
);
CREATE INDEX calendar_feed_of_caregiver ON calendar_feed (household, caregiver, id);

-- What has become of the reminders of a household, and of the messages that verify its addresses.
CREATE TABLE delivery (
	household  uuid NOT NULL REFERENCES household,
	id         uuid NOT NULL UNIQUE, -- of the reminder
	clinic     uuid NOT NULL,        -- a copy of the household's, to find by it what is ready
	learner    uuid,                 -- NULL: it verifies an address
	address    uuid,                 -- NULL: it verifies none
	kind       text COLLATE "C" NOT NULL,
	night      integer NOT NULL,
	due        bigint NOT NULL,
	lapses     bigint NOT NULL,
	state      text COLLATE "C" NOT NULL,
	claim      uuid,                 -- of whoever holds or held it last
	until      bigint,               -- when the lease ends, or when it may be tried again
	repeatable boolean NOT NULL,
	claims     bigint NOT NULL,      -- how often it has been claimed
	changed    bigint,
	ready      bigint,               -- from when it may be claimed, as worked out from the rest; NULL: not any more
	tries      bytea NOT NULL,       -- JSON
	PRIMARY KEY (household, id),
	CHECK (learner IS NOT NULL OR address IS NOT NULL),
	FOREIGN KEY (household, learner) REFERENCES learner,
	FOREIGN KEY (household, address) REFERENCES address
);
CREATE INDEX delivery_of_household ON delivery (household, due, id);
CREATE INDEX delivery_of_address ON delivery (household, address) WHERE address IS NOT NULL;
CREATE INDEX delivery_ready_code ON delivery (clinic, ready, id) WHERE learner IS NULL AND ready IS NOT NULL;

-- The fingerprints of the zones' rules by which what is kept was worked out.
CREATE TABLE zone_rules (
	zone  text COLLATE "C" PRIMARY KEY,
	rules bytea NOT NULL CHECK (length(rules) = 32)
);

-- Who read or changed what: only ever added to. A clinic is named by its id alone, since the trail outlives it.
CREATE TABLE audit (
	clinic    uuid NOT NULL,
	seq       bigint NOT NULL,
	at        bigint NOT NULL,
	role      bytea NOT NULL,
	who       uuid,
	token     bytea NOT NULL,
	origin    bytea NOT NULL,
	did       bytea NOT NULL,
	outcome   bytea NOT NULL,
	note      bytea NOT NULL,
	household uuid,
	learner   uuid,
	thing     uuid,
	hash      bytea NOT NULL CHECK (length(hash) = 32),
	PRIMARY KEY (clinic, seq)
);
CREATE INDEX audit_of_learner ON audit (clinic, learner, seq) WHERE learner IS NOT NULL;

CREATE FUNCTION audit_is_only_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
	RAISE EXCEPTION 'the audit trail is only added to';
END $$;
CREATE TRIGGER audit_is_not_changed BEFORE UPDATE OR DELETE OR TRUNCATE ON audit
	FOR EACH STATEMENT EXECUTE FUNCTION audit_is_only_added_to();
