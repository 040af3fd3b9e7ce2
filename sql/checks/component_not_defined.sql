-- Components in the work that the settings do not define.
-- grain: one row a component
-- units: none
-- reads: work, component_rules
SELECT
    'component_not_defined' AS check_name, 'warning' AS severity, NULL::VARCHAR AS site_id, NULL::VARCHAR AS visit_id,
    count(*)::INTEGER AS rows,
    'component ' || w.component || ' is not defined in the settings (first in ' || min(w.file) || ' line '
        || min(w.line) || ')' AS message,
    'correct the word, or add a block [component.' || w.component || '] to the settings; its spells are left out'
        AS what_to_do
FROM temp.work AS w
ANTI JOIN temp.component_rules AS r USING (component)
GROUP BY w.component
