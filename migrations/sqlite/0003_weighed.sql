-- What a weighing made of a learner's programmes, kept with the projection, and what orders and filters the roster by it.
ALTER TABLE projection ADD COLUMN basis BLOB NOT NULL CHECK (length(basis) = 32)
	DEFAULT x'0000000000000000000000000000000000000000000000000000000000000000'; -- of no projection
ALTER TABLE projection ADD COLUMN weighed BLOB; -- JSON; NULL: not weighed as it is now
ALTER TABLE projection ADD COLUMN verdict TEXT NOT NULL DEFAULT '';
ALTER TABLE projection ADD COLUMN nearness INTEGER NOT NULL DEFAULT 0;
ALTER TABLE projection ADD COLUMN nearness_down INTEGER AS (-nearness) VIRTUAL;
CREATE INDEX projection_by_nearness ON projection (clinic_key, nearness_down, learner_id);
CREATE INDEX projection_unweighed ON projection (clinic_key, learner_id) WHERE weighed IS NULL;
