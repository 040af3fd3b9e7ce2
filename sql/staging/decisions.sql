-- Decisions on advised intervals taken up to as-of.
-- grain: one row a site and day
-- units: visit_interval_days days
-- reads: records.decisions
SELECT site_id, decided_on, visit_interval_days, decision, reason, "by"
FROM records.decisions
WHERE decided_on <= $as_of
ORDER BY site_id, decided_on
