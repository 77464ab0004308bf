-- Who read or changed what: only ever added to. A clinic is named by its id, since the trail outlives what a restore exchanges.
CREATE TABLE audit (
	clinic    BLOB NOT NULL CHECK (length(clinic) = 16),
	seq       INTEGER NOT NULL,
	at        INTEGER NOT NULL,
	role      TEXT NOT NULL,
	who       BLOB CHECK (who IS NULL OR length(who) = 16),
	token     TEXT NOT NULL,
	origin    TEXT NOT NULL,
	did       TEXT NOT NULL,
	outcome   TEXT NOT NULL,
	note      TEXT NOT NULL,
	household BLOB CHECK (household IS NULL OR length(household) = 16),
	learner   BLOB CHECK (learner IS NULL OR length(learner) = 16),
	thing     BLOB CHECK (thing IS NULL OR length(thing) = 16),
	hash      BLOB NOT NULL CHECK (length(hash) = 32),
	PRIMARY KEY (clinic, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX audit_of_learner ON audit (clinic, learner, seq) WHERE learner IS NOT NULL;
CREATE TRIGGER audit_is_not_changed BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END;
CREATE TRIGGER audit_is_not_cut BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END;
