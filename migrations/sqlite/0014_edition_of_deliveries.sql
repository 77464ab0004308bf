-- A household's edition is its own number and those of its learners' deliveries together: a claim writes hundreds of deliveries of as many
-- households, and need not write to each household too. None of the numbers ever falls, and no such delivery is ever removed.
ALTER TABLE delivery ADD COLUMN edition INTEGER NOT NULL DEFAULT 1;
