-- Parts in the work that the parts list, where there is one, does not hold.
-- grain: one row a part
-- units: none
-- reads: work, parts
SELECT
    'part_not_listed' AS check_name, 'note' AS severity, NULL::VARCHAR AS site_id, min(w.visit_id) AS visit_id,
    count(*)::INTEGER AS rows,
    'part ' || w.part_number || ' is not in the parts list (first in '
        || min(w.file) || ' line ' || min(w.line) || ')' AS message,
    'add it to parts, or correct the number; it has no price and no lead time' AS what_to_do
FROM temp.work AS w
ANTI JOIN temp.parts AS p USING (part_number)
WHERE w.part_number IS NOT NULL AND EXISTS (SELECT 1 FROM temp.parts)
GROUP BY w.part_number
