-- Meter readings below the reading before, with what the readings around them make of it.
-- grain: one row a visit
-- units: m3
-- reads: visits
WITH readings AS (
    SELECT
        *,
        lag(meter_m3) OVER site AS before_m3,
        lag(meter_m3, 2) OVER site AS second_before_m3,
        lag(file || ' line ' || line) OVER site AS before_place,
        lead(meter_m3) OVER site AS after_m3
    FROM temp.visits
    WHERE meter_m3 IS NOT NULL
    WINDOW site AS (PARTITION BY site_id ORDER BY visit_order)
)
SELECT
    'meter_backwards' AS check_name, 'warning' AS severity, site_id, visit_id, 1 AS rows,
    file || ' line ' || line || ': meter ' || meter_m3 || ' m3 after ' || before_m3 || ' m3 (' || before_place || '); '
        || CASE
            WHEN after_m3 >= before_m3 THEN 'the next reads ' || after_m3 || ', so this one looks misread'
            WHEN meter_m3 >= second_before_m3 THEN 'it fits the one before that, so ' || before_m3 || ' looks misread'
            WHEN after_m3 >= meter_m3 THEN 'the next goes on from it, so the meter looks replaced'
            ELSE 'misread, or another meter'
        END AS message,
    'correct the reading that is wrong, or leave it if the meter was replaced: the water between the two is not counted'
        AS what_to_do
FROM readings
WHERE meter_m3 < before_m3
