-- Pressure drops read with water running: across one housing (before the work), or across all stages of a site.
-- grain: one row a visit and housing, or a visit (component and slot null) with both pressures
-- units: drop_kpa kPa, flow L/min; age_days of the unit that was read, null where its age is unknown
-- reads: events, visits, bounds, chapters
WITH across_one AS (
    SELECT e.*, u.fitted_on, u.chapter, u.spell_id, u.reason
    FROM temp.events AS e
    JOIN temp.bounds AS u ON (u.site_id, u.component, u.slot, u.unit) = (e.site_id, e.component, e.slot, e.unit_in)
    WHERE e.drop_kpa IS NOT NULL
),
across_all AS (
    SELECT * FROM temp.visits WHERE inlet_pressure_kpa >= outlet_pressure_kpa
)
SELECT
    o.site_id, o.chapter, o.component, o.slot, o.visit_id, o.visit_date,
    (o.visit_date - o.fitted_on)::DOUBLE AS age_days,
    o.drop_kpa,
    v.flow_lpm,
    CASE WHEN o.reason IS NULL THEN o.spell_id END AS spell_id,
    true AS read_before_work
FROM across_one AS o
JOIN temp.visits AS v USING (visit_id)
UNION ALL
SELECT
    a.site_id, c.chapter, NULL, NULL, a.visit_id, a.visit_date, NULL,
    a.inlet_pressure_kpa - a.outlet_pressure_kpa,
    a.flow_lpm,
    NULL,
    a.pressure_read = 'before_work'
FROM across_all AS a
JOIN temp.chapters AS c
    ON c.site_id = a.site_id AND c.from_on <= a.visit_date AND coalesce(c.to_on > a.visit_date, true)
ORDER BY site_id, visit_date, visit_id, component NULLS FIRST, slot
