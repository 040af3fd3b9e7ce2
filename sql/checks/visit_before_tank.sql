-- Visits before the tank of their site existed.
-- grain: one row a visit
-- units: none
-- reads: visits, sites
SELECT
    'visit_before_tank' AS check_name, 'warning' AS severity, v.site_id, v.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': visit on ' || v.visit_date || ', tank installed ' || s.tank_installed AS message,
    'correct the visit date or tank_installed; the visit is used as it stands' AS what_to_do
FROM temp.visits AS v
JOIN temp.sites AS s USING (site_id)
WHERE v.visit_date < s.tank_installed
