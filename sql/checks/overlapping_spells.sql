-- Units said to have gone in before the unit ahead of them came out of the same slot.
-- grain: one row a unit
-- units: none
-- reads: bounds, visits
WITH in_time AS (
    SELECT *, lag(ended_on) OVER (PARTITION BY site_id, component, slot ORDER BY unit) AS before_out_on
    FROM temp.bounds
)
SELECT
    'overlapping_spells' AS check_name, 'warning' AS severity, b.site_id, b.first_visit_id AS visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || b.component || CASE WHEN b.slot <> '' THEN ' ' || b.slot ELSE '' END
        || ' fitted_on ' || b.fitted_on || ', but the one before it came out on ' || b.before_out_on AS message,
    'correct fitted_on; both spells are used as they stand' AS what_to_do
FROM in_time AS b
JOIN temp.visits AS v ON v.visit_id = b.first_visit_id
WHERE b.fitted_on < b.before_out_on
