-- Pressures that look written in psi where kPa is meant (1 psi = 6.9 kPa).
-- grain: one row a reading
-- units: kPa
-- reads: gauge_faults, visits
SELECT
    'gauge_in_psi' AS check_name, 'warning' AS severity, f.site_id, f.visit_id, 1 AS rows,
    f.file || ' line ' || f.line || ': ' || CASE
        WHEN f.component IS NULL THEN 'the pair ' || v.inlet_pressure_kpa || ' and ' || v.outlet_pressure_kpa
        ELSE f.component || ' drop of ' || f.shown_kpa
    END || ' kPa looks like psi, not kPa' AS message,
    'write it in kPa (times 6.9), or name the unit in the import map; the reading is not used' AS what_to_do
FROM temp.gauge_faults AS f
JOIN temp.visits AS v USING (visit_id)
WHERE f.fault = 'in_psi'
