-- Visits whose pressure after the last filter is above that before the first.
-- grain: one row a visit
-- units: kPa
-- reads: visits
SELECT
    'outlet_above_inlet' AS check_name, 'warning' AS severity, site_id, visit_id, 1 AS rows,
    file || ' line ' || line || ': outlet ' || outlet_pressure_kpa || ' kPa above inlet ' || inlet_pressure_kpa || ' kPa'
        AS message,
    'correct the two readings (exchanged?); the pair is not used' AS what_to_do
FROM temp.visits
WHERE outlet_pressure_kpa > inlet_pressure_kpa
