-- Sites in the records that no visit names.
-- grain: one row a site
-- units: none
-- reads: sites
SELECT
    'never_visited' AS check_name, 'note' AS severity, site_id, NULL::VARCHAR AS visit_id, 1 AS rows,
    'site ' || site_id || ' was never visited' AS message,
    'add its visits, or leave it: it has no line in the due list' AS what_to_do
FROM temp.sites
WHERE visits = 0
