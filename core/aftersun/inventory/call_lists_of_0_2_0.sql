-- What version 0.2.0 made of the calls of the runs before it, one change a paragraph, in order.
-- Never edited once released; a further version gets a file of its own.

-- Runs before it had one list, ordered by money, and told dangers beside it.
UPDATE call SET kind = CASE
    WHEN position IS NOT NULL AND coalesce(must_call, false) AND npv > 0 THEN 'warn_and_offer'
    WHEN position IS NOT NULL AND coalesce(must_call, false) THEN 'warn'
    WHEN position IS NOT NULL THEN 'offer'
    WHEN (run_id, site_id) IN (SELECT (run_id, site_id) FROM safety_note WHERE tell_owner) THEN 'notice'
    ELSE ''
END
WHERE kind IS NULL
