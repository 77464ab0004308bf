-- Whoever asks what is due looks first for those of whom others may be due by then. They were among all who are stale in any way: between
-- noon and evening that was everybody, and each page of what is due in the evening went past all of a clinic. They have an order of
-- their own, in which they too stay where they were before until they are weighed.
-- A server of a former version knows nothing of this: none may go on beside one of this version. Every row of the projection is written anew,
-- and the table is locked meanwhile.
ALTER TABLE projection ADD COLUMN renew_place bigint; -- NULL: no others will be due
UPDATE projection SET renew_place = reminders_renew;
CREATE INDEX projection_by_renew ON projection (clinic, renew_place, learner);
