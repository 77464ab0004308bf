-- Of a night it is kept whether it is served as before, no more the whole of it: every upload folds the nights anew, so a phone is told
-- of them from the fold. All of a learner's nights are in the projection, 29 bytes each and in order: the night and the revision with
-- which it changed last as 4 and 8 bytes, whether it is gone, and 16 bytes of its print. A print that is zero awaits a fold, which
-- the first instant of 1970 brings about soon after the next start.
ALTER TABLE projection ADD COLUMN nights BLOB NOT NULL DEFAULT x'' CHECK (length(nights) % 29 = 0);
UPDATE projection SET until = 0, nights = coalesce((
	SELECT unhex(group_concat(format('%08x%016x%02x%032x', night & 0xffffffff, changed_rev, gone, 0), '' ORDER BY night))
	FROM night WHERE night.learner_key = projection.learner_key), x'');
DROP TABLE night;
