-- Decisions on advised intervals taken up to as-of, every column of the records.
-- grain: one row a site and day
-- units: visit_interval_days days
-- reads: records.decisions
SELECT * EXCLUDE (file, line) FROM records.decisions WHERE decided_on <= $as_of ORDER BY site_id, decided_on
