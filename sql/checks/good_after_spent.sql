-- Components seen well after they were found at end of life and left in place.
-- grain: one row a visit, component and slot
-- units: none
-- reads: events, fittings, visits
SELECT
    'good_after_spent' AS check_name, 'warning' AS severity, e.site_id, e.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || e.component || CASE WHEN e.slot <> '' THEN ' ' || e.slot ELSE '' END
        || ' ' || e.condition || ' on ' || e.visit_date
        || ', but at end of life on ' || f.end_on || ' and not renewed in between' AS message,
    'add the renewal that is missing, or correct one of the findings; the first counts' AS what_to_do
FROM temp.events AS e
JOIN temp.fittings AS f ON (f.site_id, f.component, f.slot, f.unit) = (e.site_id, e.component, e.slot, e.unit_in)
JOIN temp.visits AS v ON v.visit_id = e.visit_id
WHERE e.good_look AND f.found_spent AND e.visit_date > f.end_on
