-- Work on a component that had been taken out, with nothing fitted since.
-- grain: one row a visit, component and slot
-- units: none
-- reads: events, visits
WITH in_time AS (
    SELECT *, lag(visit_date) OVER (PARTITION BY site_id, component, slot ORDER BY visit_order) AS before_on
    FROM temp.events
)
SELECT
    'nothing_in_place' AS check_name, 'warning' AS severity, e.site_id, e.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || e.component || CASE WHEN e.slot <> '' THEN ' ' || e.slot ELSE '' END
        || CASE WHEN e.removed THEN ' removed' ELSE ' looked at' END || ' on ' || e.visit_date
        || ', but it was taken out before and none was fitted since' AS message,
    'add the fitting that is missing, or correct the removal; what is there now counts as of unknown age' AS what_to_do
FROM in_time AS e
JOIN temp.visits AS v ON v.visit_id = e.visit_id
WHERE e.before_on IS NOT NULL AND (e.came_unseen OR (e.removed AND NOT e.renews AND e.unit_in IS NULL))
