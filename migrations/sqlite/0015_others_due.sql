-- Whoever asks what is due looks first for those of whom others may be due by then. They were among all who are stale in any way: between
-- noon and evening that was everybody, and each page of what is due in the evening went past all of a clinic. They have an order of
-- their own, in which they too stay where they were before until they are weighed.
DROP INDEX projection_by_stale;
ALTER TABLE projection DROP COLUMN stale;
ALTER TABLE projection ADD COLUMN renew_before INTEGER;
ALTER TABLE projection ADD COLUMN stale INTEGER AS (min(iif(weighed IS NULL, coalesce(stale_before, 9223372036854775807),
	9223372036854775807), coalesce(until, 9223372036854775807), coalesce(reminders_until, 9223372036854775807))) VIRTUAL;
ALTER TABLE projection ADD COLUMN renew_place INTEGER AS (min(iif(weighed IS NULL, coalesce(renew_before, 9223372036854775807),
	9223372036854775807), coalesce(reminders_renew, 9223372036854775807))) VIRTUAL;
CREATE INDEX projection_by_stale ON projection (clinic_key, stale, learner_id);
CREATE INDEX projection_by_renew ON projection (clinic_key, renew_place, learner_id);
