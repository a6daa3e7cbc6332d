-- What version 0.2.0 made of the layouts before it, one change a paragraph, in order.
-- Never edited once released; a further version gets a file of its own.

-- Runs before it ranked by the worth with everything at its usual value, and kept the mean of the draws beside it.
UPDATE ranking SET npv_usual = npv

ALTER TABLE ranking DROP COLUMN IF EXISTS npv_mean
