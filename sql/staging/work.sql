-- Work done at the visits known at as-of, every column of the records; a blank condition is unknown, a blank slot is
-- the only one.
-- grain: one row a visit, component, slot and action
-- units: pressure_drop_kpa kPa
-- reads: records.work, visits
WITH rows_of_work AS (
    SELECT * REPLACE (coalesce(slot, '') AS slot, coalesce(condition, 'unknown') AS condition) FROM records.work
),
visited AS (
    SELECT visit_id, site_id, visit_date, visit_order FROM temp.visits
)
SELECT w.visit_id, v.site_id, v.visit_date, w.* EXCLUDE (visit_id, file, line), v.visit_order, w.file, w.line
FROM rows_of_work AS w
JOIN visited AS v USING (visit_id)
ORDER BY v.site_id, v.visit_order, w.component, w.slot, w.action
