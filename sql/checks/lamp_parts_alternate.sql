-- Lamps whose part number comes back after another one stood in the same place: a UV unit takes one type.
-- grain: one row a place, at the visit where a part came back last
-- units: none
-- reads: fittings, component_rules, visits
WITH lamps AS (
    SELECT
        f.site_id, f.component, f.slot, f.unit, f.part_number, f.first_visit_id,
        lag(f.part_number) OVER (PARTITION BY f.site_id, f.component, f.slot ORDER BY f.unit) AS part_before
    FROM temp.fittings AS f
    JOIN temp.component_rules AS r ON r.component = f.component AND r.role = 'lamp'
    WHERE f.part_number IS NOT NULL
),
begun AS (
    SELECT
        *, row_number() OVER (PARTITION BY site_id, component, slot, part_number ORDER BY unit) > 1 AS was_there
    FROM lamps
    WHERE part_before IS DISTINCT FROM part_number
),
places AS (
    SELECT
        site_id, component, slot, count(*) - 1 AS changes, max_by(first_visit_id, unit) FILTER (was_there) AS visit_id,
        string_agg(part_number, ', ' ORDER BY unit) AS parts
    FROM begun
    GROUP BY site_id, component, slot
    HAVING bool_or(was_there)
)
SELECT
    'lamp_parts_alternate' AS check_name, 'warning' AS severity, p.site_id, p.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || p.component || CASE WHEN p.slot <> '' THEN ' ' || p.slot ELSE '' END
        || ' changes its part ' || p.changes || ' times and back: ' || p.parts AS message,
    'look which lamp the UV unit there takes and correct the part numbers; orders follow the part in place' AS what_to_do
FROM places AS p
JOIN temp.visits AS v USING (visit_id)
