-- What version 0.4.0 lacked of the layouts after it, one change a paragraph, in order.
-- Never edited once released; a further version gets a file of its own.

-- Work that was done before there was a record of it: what the call log tells.
INSERT INTO job (entry, site_id, retrofit, done_on, meter, recorded_at)
SELECT entry, site_id, retrofit, called_on, 'production', recorded_at FROM call_log
WHERE outcome = 'done' AND entry NOT IN (SELECT entry FROM job)
