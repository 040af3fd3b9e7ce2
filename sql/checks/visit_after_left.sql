-- Visits after the day their site was left.
-- grain: one row a visit
-- units: none
-- reads: visits, sites
SELECT
    'visit_after_left' AS check_name, 'warning' AS severity, v.site_id, v.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': visit on ' || v.visit_date || ', but the site was left on ' || s.left_on AS message,
    'correct or delete left_on; the site counts as left, its spells end at its last visit' AS what_to_do
FROM temp.visits AS v
JOIN temp.sites AS s USING (site_id)
WHERE v.visit_date > s.left_on
