-- The journal that lies beside the database: what is in it must outlive every backup. NULL where none has been begun.
ALTER TABLE meta ADD COLUMN journal BLOB CHECK (journal IS NULL OR length(journal) = 16);
