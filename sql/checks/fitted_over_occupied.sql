-- Components fitted where another was in place and nobody wrote what became of it.
-- grain: one row a visit, component and slot
-- units: none
-- reads: events, visits
SELECT
    'fitted_over_occupied' AS check_name, 'note' AS severity, e.site_id, e.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || e.component || CASE WHEN e.slot <> '' THEN ' ' || e.slot ELSE '' END
        || ' fitted on ' || e.visit_date
        || ' where one was in place' AS message,
    'write replaced, with the condition found; the old one counts as come out, condition unknown' AS what_to_do
FROM temp.events AS e
JOIN temp.visits AS v ON v.visit_id = e.visit_id
WHERE e.renewed_by = 'fitted' AND e.unit_in IS NOT NULL AND NOT e.came_unseen
