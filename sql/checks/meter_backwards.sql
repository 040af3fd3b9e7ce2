-- Meter readings below the reading before.
-- grain: one row a visit
-- units: m3
-- reads: visits
WITH readings AS (
    SELECT *, lag(meter_m3) OVER (PARTITION BY site_id ORDER BY visit_order) AS before_m3
    FROM temp.visits
    WHERE meter_m3 IS NOT NULL
)
SELECT
    'meter_backwards' AS check_name, 'warning' AS severity, site_id, visit_id, 1 AS rows,
    file || ' line ' || line || ': meter ' || meter_m3 || ' m3 after ' || before_m3 || ' m3' AS message,
    'correct the reading, or leave it if the meter was replaced: the water between the two is not counted' AS what_to_do
FROM readings
WHERE meter_m3 < before_m3
