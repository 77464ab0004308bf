-- When a caregiver withdrew consent, and the household's newest revision then; NULL while it stands.
ALTER TABLE caregiver ADD COLUMN withdrawn INTEGER;
ALTER TABLE caregiver ADD COLUMN withdrawn_rev INTEGER;
