-- Sites not seen for more than twice their usual gap.
-- grain: one row a site
-- units: days
-- reads: sites
SELECT
    'lost_to_view' AS check_name, 'warning' AS severity, site_id, NULL::VARCHAR AS visit_id, 1 AS rows,
    'site ' || site_id || ' not seen since ' || last_visit_on || '; it used to be seen every ' || usual_gap_days
        || ' days' AS message,
    'give left_on if it is no longer served, or add its visits; it is out of the due list and of stock' AS what_to_do
FROM temp.sites
WHERE lost_to_view
