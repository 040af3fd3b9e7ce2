-- Sites in the records that no visit names.
-- grain: one row a site
-- units: none
-- reads: sites, records.sites
SELECT
    'never_visited' AS check_name, 'note' AS severity, s.site_id, NULL::VARCHAR AS visit_id, 1 AS rows,
    r.file || ' line ' || r.line || ': site ' || s.site_id || ' was never visited' AS message,
    'add its visits, or leave it: it has no line in the due list' AS what_to_do
FROM temp.sites AS s
JOIN records.sites AS r ON r.site_id = s.site_id
WHERE s.visits = 0
