-- Sites not seen for more than twice their usual gap.
-- grain: one row a site
-- units: days
-- reads: sites, visits
SELECT
    'lost_to_view' AS check_name, 'warning' AS severity, s.site_id, v.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': site ' || s.site_id || ' not seen since ' || s.last_visit_on
        || '; it used to be seen every ' || s.usual_gap_days || ' days' AS message,
    'give left_on if it is no longer served, or add its visits; it is out of the due list and of stock' AS what_to_do
FROM temp.sites AS s
JOIN temp.visits AS v ON v.site_id = s.site_id AND v.visit_order = s.visits
WHERE s.lost_to_view
