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
