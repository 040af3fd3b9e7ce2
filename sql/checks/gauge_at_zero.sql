-- Gauges that showed nothing at two visits running.
-- grain: one row a reading
-- units: kPa
-- reads: gauge_faults, visits
SELECT
    'gauge_at_zero' AS check_name, 'warning' AS severity, f.site_id, f.visit_id, 1 AS rows,
    f.file || ' line ' || f.line || ': ' || CASE
        WHEN f.component IS NULL THEN 'the pair ' || v.inlet_pressure_kpa || ' and ' || v.outlet_pressure_kpa
        ELSE f.component || ' drop of ' || f.shown_kpa
    END || ' kPa shows nothing, visit after visit' AS message,
    'look whether the gauge is stuck or shut off; the reading is not used' AS what_to_do
FROM temp.gauge_faults AS f
JOIN temp.visits AS v USING (visit_id)
WHERE f.fault = 'stuck_at_zero'
