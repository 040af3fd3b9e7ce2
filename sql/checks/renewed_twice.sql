-- Components both replaced and fitted at one visit, which is one renewal written twice or a slot left blank.
-- grain: one row a visit, component and slot
-- units: none
-- reads: work
SELECT
    'renewed_twice' AS check_name, 'note' AS severity, any_value(site_id) AS site_id, visit_id,
    count(*)::INTEGER AS rows,
    min(file) || ' line ' || min(line) || ': ' || component || CASE WHEN slot <> '' THEN ' ' || slot ELSE '' END
        || ' both replaced and fitted on ' || any_value(visit_date) AS message,
    'delete one of the two rows, or name the slots if two of them went in; it counts as one renewal' AS what_to_do
FROM temp.work
WHERE action IN ('replaced', 'fitted')
GROUP BY visit_id, component, slot
HAVING min(action) < max(action)
