-- Components fitted where another was in place and nobody wrote what became of it.
-- grain: one row a visit, component and slot
-- units: none
-- reads: events
SELECT
    'fitted_over_occupied' AS check_name, 'note' AS severity, site_id, visit_id, 1 AS rows,
    component || CASE WHEN slot <> '' THEN ' ' || slot ELSE '' END || ' fitted on ' || visit_date
        || ' where one was in place' AS message,
    'write replaced, with the condition found; the old one counts as come out, condition unknown' AS what_to_do
FROM temp.events
WHERE renewed_by = 'fitted' AND unit_in IS NOT NULL AND NOT came_unseen
