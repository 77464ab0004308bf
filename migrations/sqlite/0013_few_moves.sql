-- An upload moves a learner's reminders from tonight to tomorrow, in the table and in two indexes of it. What leads from a learner to them
-- is now in the row of the projection, which is written anyway. Whatever nobody has claimed is ready when it is due, so that the
-- order by due finds it, and only the others are in an index by when they are ready. So that nobody who looks for what is ready comes
-- past thousands that have been sent, the two are each by themselves. That the learner is there follows from the projection.
CREATE TABLE reminder_in_one_order (
	clinic_key    INTEGER NOT NULL REFERENCES clinic,
	claimed       INTEGER NOT NULL, -- 1: it has been, so that it is not ready just when it is due
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
	CHECK (claimed = (ready IS NOT due)),
	PRIMARY KEY (clinic_key, claimed, due, id)
) STRICT, WITHOUT ROWID;
INSERT INTO reminder_in_one_order
SELECT clinic_key, ready IS NOT due, due, id, household_key, learner_key, kind, lapses, ready, answer FROM reminder
ORDER BY clinic_key, ready IS NOT due, due, id;
ALTER TABLE projection ADD COLUMN reminders TEXT NOT NULL DEFAULT '{}'; -- JSON: when each of them is due, by its id
UPDATE projection SET reminders = coalesce((SELECT json_group_object(lower(hex(r.id)), r.due) FROM reminder r
	WHERE r.learner_key = projection.learner_key), '{}');
DROP TABLE reminder;
ALTER TABLE reminder_in_one_order RENAME TO reminder;
CREATE INDEX reminder_by_ready ON reminder (clinic_key, ready, id) WHERE claimed = 1 AND ready IS NOT NULL;

-- In some orders an upload moves a learner each evening, and from one page to another. Who uploads is weighed soon afterwards, many in
-- one transaction: until then they stay where they were before, and whoever reads one of these orders looks at the unweighed too.
-- Those who are stale are looked for among all who may be, so that it does no harm to be there too early.
DROP INDEX projection_by_heard;
DROP INDEX projection_by_nearness;
DROP INDEX projection_by_stale;
DROP INDEX projection_unweighed;
ALTER TABLE projection DROP COLUMN nearness_down;
ALTER TABLE projection DROP COLUMN stale;
ALTER TABLE projection ADD COLUMN heard_before INTEGER;    -- where it was in each of the three before it was to be weighed
ALTER TABLE projection ADD COLUMN nearness_before INTEGER;
ALTER TABLE projection ADD COLUMN stale_before INTEGER;
ALTER TABLE projection ADD COLUMN heard_place INTEGER AS (iif(weighed IS NULL, coalesce(heard_before, heard), heard)) VIRTUAL;
ALTER TABLE projection ADD COLUMN nearness_place INTEGER AS (iif(weighed IS NULL, coalesce(nearness_before, -nearness), -nearness)) VIRTUAL;
ALTER TABLE projection ADD COLUMN stale INTEGER AS (min(iif(weighed IS NULL, coalesce(stale_before, 9223372036854775807),
	9223372036854775807), coalesce(until, 9223372036854775807), coalesce(reminders_until, 9223372036854775807),
	coalesce(reminders_renew, 9223372036854775807))) VIRTUAL;
CREATE INDEX projection_by_heard ON projection (clinic_key, heard_place, learner_id);
CREATE INDEX projection_by_nearness ON projection (clinic_key, nearness_place, learner_id);
CREATE INDEX projection_by_stale ON projection (clinic_key, stale, learner_id);
CREATE INDEX projection_unweighed ON projection (clinic_key, learner_id, heard) WHERE weighed IS NULL;
