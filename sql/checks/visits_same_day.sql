-- Sites visited more than once on one day.
-- grain: one row a site and day
-- units: none
-- reads: visits
WITH several AS (
    SELECT site_id, visit_date FROM temp.visits GROUP BY site_id, visit_date HAVING count(*) > 1
)
SELECT
    'visits_same_day' AS check_name, 'note' AS severity, site_id, max_by(visit_id, visit_order) AS visit_id,
    count(*)::INTEGER AS rows,
    'site ' || site_id || ' visited ' || count(*) || ' times on ' || visit_date || ': '
        || string_agg(visit_id || ' (' || file || ' line ' || line || ')', ', ' ORDER BY visit_order) AS message,
    'delete the one that is there twice, if one is; all are used' AS what_to_do
FROM temp.visits
JOIN several USING (site_id, visit_date)
GROUP BY site_id, visit_date
