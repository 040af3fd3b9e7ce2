-- Parts that went in as another component than the parts list says.
-- grain: one row a part and component
-- units: none
-- reads: work, parts
SELECT
    'part_of_another_component' AS check_name, 'warning' AS severity, NULL::VARCHAR AS site_id,
    min(w.visit_id) AS visit_id, count(*)::INTEGER AS rows,
    'part ' || w.part_number || ' went in as ' || w.component || ', the parts list says ' || p.component
        || ' (first in ' || min(w.file) || ' line ' || min(w.line) || ')' AS message,
    'correct the part number or the parts list; the work is used as it stands' AS what_to_do
FROM temp.work AS w
JOIN temp.parts AS p USING (part_number)
WHERE p.component <> w.component
GROUP BY w.part_number, w.component, p.component
