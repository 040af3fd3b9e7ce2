-- Work rows that say good though the housing drop is at or over the component's limit.
-- grain: one row a visit, component and slot
-- units: kPa
-- reads: work, component_rules
SELECT
    'good_word_over_limit' AS check_name, 'warning' AS severity, w.site_id, w.visit_id, 1 AS rows,
    w.file || ' line ' || w.line || ': ' || w.component || ' called ' || w.condition || ' at a drop of '
        || w.pressure_drop_kpa || ' kPa, limit ' || r.pressure_limit_kpa AS message,
    'correct the word or the reading; the reading counts: end of life' AS what_to_do
FROM temp.work AS w
JOIN temp.component_rules AS r USING (component)
WHERE w.action <> 'fitted' AND w.condition = 'good' AND w.pressure_drop_kpa >= r.pressure_limit_kpa
