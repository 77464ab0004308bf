-- Of each entry it was looked up whether its household, learner and device are there, which took as long as to write it. Whoever adds
-- entries holds the household and looks once for all of them, and none of the three is ever removed.
ALTER TABLE entry DROP CONSTRAINT entry_household_fkey, DROP CONSTRAINT entry_household_learner_fkey,
	DROP CONSTRAINT entry_household_device_fkey;
-- Of what an upload writes it was checked each time how long it is, and the text of the check was read anew each time for that. It is
-- written from where it can't be of another length, and looked at when it is read.
ALTER TABLE entry DROP CONSTRAINT entry_content_check, DROP CONSTRAINT entry_chain_check;
ALTER TABLE household DROP CONSTRAINT household_head_chain_check;
ALTER TABLE projection DROP CONSTRAINT projection_basis_check, DROP CONSTRAINT projection_nights_check;
ALTER TABLE audit DROP CONSTRAINT audit_hash_check;

-- An upload moved a learner in every index of the projection, since it changed what some of them order by. Who uploads is weighed soon
-- afterwards: until then they stay where they were before, so that their row changes in no index, and whoever reads one of these
-- orders looks at the unweighed too. Those who are stale are looked for among all who may be, so that it does no harm to be there too early.
-- A server of a former version knows nothing of this: none may go on beside one of this version.
CREATE TABLE unweighed (
	household uuid NOT NULL,
	learner   uuid NOT NULL,
	clinic    uuid NOT NULL, -- as in the projection
	PRIMARY KEY (household, learner)
); -- that the learner is there follows from the projection
CREATE INDEX unweighed_of_clinic ON unweighed (clinic, learner);
INSERT INTO unweighed SELECT household, learner, clinic FROM projection WHERE weighed IS NULL;
DROP INDEX projection_by_urgency;
DROP INDEX projection_by_wrong;
DROP INDEX projection_by_heard;
DROP INDEX projection_by_nearness;
DROP INDEX projection_unweighed;
DROP INDEX projection_by_until;
DROP INDEX projection_by_reminders;
DROP INDEX projection_by_renew;
DROP INDEX projection_by_folded;
-- What comes from the top down is negated, as before.
ALTER TABLE projection ADD COLUMN urgency_place bigint, ADD COLUMN wrong_place bigint, ADD COLUMN heard_place bigint,
	ADD COLUMN nearness_place bigint, ADD COLUMN folded_place bigint,
	ADD COLUMN stale_place bigint; -- the first of the ways in which it goes stale; NULL: in none
UPDATE projection SET urgency_place = -urgency, wrong_place = -nights_wrong, heard_place = heard, nearness_place = -nearness,
	folded_place = folded, stale_place = least(until, reminders_until, reminders_renew);
ALTER TABLE projection ALTER COLUMN urgency_place SET NOT NULL, ALTER COLUMN wrong_place SET NOT NULL,
	ALTER COLUMN heard_place SET NOT NULL, ALTER COLUMN nearness_place SET NOT NULL, ALTER COLUMN folded_place SET NOT NULL;
CREATE INDEX projection_by_urgency ON projection (clinic, urgency_place, learner);
CREATE INDEX projection_by_wrong ON projection (clinic, wrong_place, learner);
CREATE INDEX projection_by_heard ON projection (clinic, heard_place, learner);
CREATE INDEX projection_by_nearness ON projection (clinic, nearness_place, learner);
CREATE INDEX projection_by_folded ON projection (clinic, folded_place, learner);
CREATE INDEX projection_by_stale ON projection (clinic, stale_place, learner);
