-- Work rows whose fitted_on is not the day on which the records saw that unit go in.
-- grain: one row a visit, component and slot
-- units: none
-- reads: events, fittings, visits
SELECT
    'fitted_on_contradicts' AS check_name, 'warning' AS severity, e.site_id, e.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || e.component || CASE WHEN e.slot <> '' THEN ' ' || e.slot ELSE '' END
        || ' said to be fitted on ' || e.old_fitted_on
        || ', the records say ' || f.fitted_on AS message,
    'correct fitted_on or add the visit that is missing; the day in the visits is used' AS what_to_do
FROM temp.events AS e
JOIN temp.fittings AS f ON (f.site_id, f.component, f.slot, f.unit) = (e.site_id, e.component, e.slot, e.unit_in)
JOIN temp.visits AS v ON v.visit_id = e.visit_id
WHERE e.old_fitted_on <> f.fitted_on
