-- Sites with visits before their tank existed. Not so where the tank was changed since, as the date is then that of
-- the new one, nor in the year of a date that may have been a year alone.
-- grain: one row a site; rows = its visits before the tank
-- units: none
-- reads: visits, sites, changes
SELECT
    'visit_before_tank' AS check_name, 'warning' AS severity, v.site_id,
    min_by(v.visit_id, v.visit_order) AS visit_id, count(*)::INTEGER AS rows,
    min_by(v.file || ' line ' || v.line, v.visit_order) || ': visit on ' || min(v.visit_date) || ', tank installed '
        || s.tank_installed AS message,
    'correct the visit date or tank_installed, or add the new tank to changes; the visits are used as they stand'
        AS what_to_do
FROM temp.visits AS v
JOIN temp.sites AS s USING (site_id)
ANTI JOIN temp.changes AS c ON c.site_id = v.site_id AND c.kind = 'tank' AND c.changed_on > v.visit_date
WHERE v.visit_date < s.tank_installed AND s.tank_installed <> make_date(year(v.visit_date), 7, 1)
GROUP BY v.site_id, s.tank_installed
