-- An evening's six entries are written side by side at the end of the table, and no more among those of their household, which put
-- them onto as many pages as there were and whole rows onto the inner ones. What leads to a household's entries is small.
CREATE TABLE entry_appended (
	entry_key     INTEGER PRIMARY KEY, -- in the order in which they came
	household_key INTEGER NOT NULL REFERENCES household,
	rev           INTEGER NOT NULL,
	id            BLOB NOT NULL CHECK (length(id) = 16),
	learner_key   INTEGER,
	device_key    INTEGER,
	author_role   INTEGER NOT NULL, -- 1 caregiver, 2 clinician
	author        BLOB CHECK (author IS NULL OR length(author) = 16), -- NULL: the device's caregiver
	status        TEXT NOT NULL,
	received      INTEGER NOT NULL, -- by the server that had it first
	stored        INTEGER,          -- by this one; NULL: then too
	clock_offset  INTEGER NOT NULL, -- nanoseconds
	schema        INTEGER NOT NULL,
	content       BLOB NOT NULL CHECK (length(content) = 32),
	chain         BLOB NOT NULL CHECK (length(chain) = 32),
	problem       BLOB NOT NULL,    -- JSON, or empty
	sent          BLOB NOT NULL,    -- JSON
	CHECK (author IS NOT NULL OR device_key IS NOT NULL),
	FOREIGN KEY (household_key, learner_key) REFERENCES learner (household_key, learner_key),
	FOREIGN KEY (household_key, device_key) REFERENCES device (household_key, device_key)
) STRICT;
INSERT INTO entry_appended (household_key, rev, id, learner_key, device_key, author_role, author, status, received, stored,
	clock_offset, schema, content, chain, problem, sent)
SELECT e.household_key, e.rev, e.id, e.learner_key, e.device_key, e.author_role, nullif(e.author, p.id), e.status, e.received,
	nullif(e.stored, e.received), e.clock_offset, e.schema, e.content, e.chain, e.problem, e.sent
FROM entry e LEFT JOIN device d USING (device_key) LEFT JOIN caregiver p USING (caregiver_key)
ORDER BY e.household_key, e.rev;
DROP TABLE entry;
ALTER TABLE entry_appended RENAME TO entry;
-- That no id is there twice in a household is seen to before it is written, in the same transaction.
CREATE UNIQUE INDEX entry_of_household ON entry (household_key, rev);

-- What is kept of a fold was in an index for each way of going stale, and whoever uploads goes in none of them where they were before.
-- Whoever is stale in one way is folded anew, which renews all, so one index of the first of them does.
DROP INDEX projection_by_until;
DROP INDEX projection_by_reminders;
DROP INDEX projection_by_renew;
ALTER TABLE projection ADD COLUMN stale INTEGER AS (min(coalesce(until, 9223372036854775807),
	coalesce(reminders_until, 9223372036854775807), coalesce(reminders_renew, 9223372036854775807))) VIRTUAL;
CREATE INDEX projection_by_stale ON projection (clinic_key, stale, learner_id);
-- When it was folded last for another reason than that the household was heard from at that instant. One of this and heard is when
-- it was folded last, so whoever is folded later than some instant is found by the two, and an upload changes heard alone.
ALTER TABLE projection ADD COLUMN refolded INTEGER NOT NULL DEFAULT 0;
UPDATE projection SET refolded = folded;
DROP INDEX projection_by_folded;
CREATE INDEX projection_by_refolded ON projection (clinic_key, refolded, learner_id);
-- An upload leaves a learner unweighed, and so at the end of the order by verdict too: there they are found, as long as only a weighing
-- can tell the verdict.
DROP INDEX projection_unweighed;
CREATE INDEX projection_unweighed ON projection (clinic_key, learner_id) WHERE weighed IS NULL AND nearness <> 0;
-- An upload moves its household's head and notes when the device was heard from: both in one row.
ALTER TABLE household ADD COLUMN heard TEXT NOT NULL DEFAULT '{}'; -- JSON: when each device was last, by its key
UPDATE household SET heard = coalesce((SELECT json_group_object(d.device_key, d.heard) FROM device d
	WHERE d.household_key = household.household_key AND d.heard IS NOT NULL), '{}');
ALTER TABLE device DROP COLUMN heard;
