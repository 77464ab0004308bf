-- Another with each transaction that changes anything that a household's folds rest on or that is kept of them. So whoever holds a
-- household in memory, as it was read or folded last, learns from one number whether it is still as it was. A server of a former version
-- would not change it: none may go on beside one of this version.
ALTER TABLE household ADD COLUMN edition bigint NOT NULL DEFAULT 0;
