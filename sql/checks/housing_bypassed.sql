-- Drops far below what clean filters take: the bypass open, or the housing empty.
-- grain: one row a reading
-- units: kPa
-- reads: gauge_faults, visits
SELECT
    'housing_bypassed' AS check_name, 'warning' AS severity, f.site_id, f.visit_id, 1 AS rows,
    f.file || ' line ' || f.line || ': ' || CASE
        WHEN f.component IS NULL THEN 'the pair ' || v.inlet_pressure_kpa || ' and ' || v.outlet_pressure_kpa
        ELSE f.component || ' drop of ' || f.shown_kpa
    END || ' kPa is far below what a clean filter takes' AS message,
    'look whether the bypass is open or the housing empty; the reading is not used' AS what_to_do
FROM temp.gauge_faults AS f
JOIN temp.visits AS v USING (visit_id)
WHERE f.fault = 'bypassed'
