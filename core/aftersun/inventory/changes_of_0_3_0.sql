-- What version 0.3.0 lacked of the layouts after it, one change a paragraph, in order.
-- Never edited once released; a further version gets a file of its own.

-- A site whose place nobody knows is kept all the same.
ALTER TABLE site ALTER COLUMN latitude DROP NOT NULL

ALTER TABLE site ALTER COLUMN longitude DROP NOT NULL
