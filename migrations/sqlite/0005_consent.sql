-- When a caregiver withdrew consent; NULL while it stands.
ALTER TABLE caregiver ADD COLUMN withdrawn INTEGER;
