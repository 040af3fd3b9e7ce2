-- Pressure drops read with water running: across one housing (before the work), or across all stages of a site.
-- grain: one row a visit and housing, or a visit (component and slot null) with both pressures
-- units: drop_kpa kPa, flow L/min; age_days of the unit that was read, null where its age is unknown
-- fault: why a reading says nothing (null = none); informs: it tells how far a unit in the estimate had come
-- reads: events, visits, bounds, chapters, work, gauge_faults
WITH across_one AS (
    SELECT
        e.* EXCLUDE (drop_kpa), w.drop_kpa, u.fitted_on, u.chapter, u.spell_id, u.reason, u.ended_on, f.fault
    FROM temp.events AS e
    JOIN temp.bounds AS u ON (u.site_id, u.component, u.slot, u.unit) = (e.site_id, e.component, e.slot, e.unit_in)
    JOIN (
        SELECT visit_id, component, slot, max(pressure_drop_kpa) AS drop_kpa FROM temp.work GROUP BY ALL
    ) AS w ON (w.visit_id, w.component, w.slot) = (e.visit_id, e.component, e.slot)
    LEFT JOIN temp.gauge_faults AS f ON (f.visit_id, f.component, f.slot) = (e.visit_id, e.component, e.slot)
    WHERE w.drop_kpa IS NOT NULL
),
across_all AS (
    SELECT v.*, f.fault
    FROM temp.visits AS v
    LEFT JOIN temp.gauge_faults AS f ON f.visit_id = v.visit_id AND f.component IS NULL
    WHERE v.inlet_pressure_kpa >= v.outlet_pressure_kpa
)
SELECT
    o.site_id, o.chapter, o.component, o.slot, o.visit_id, o.visit_date,
    (o.visit_date - o.fitted_on)::DOUBLE AS age_days,
    o.drop_kpa,
    v.flow_lpm,
    CASE WHEN o.reason IS NULL THEN o.spell_id END AS spell_id,
    true AS read_before_work,
    o.fault,
    coalesce(
        o.reason IS NULL AND o.fault IS NULL AND NOT o.found_spent AND coalesce(o.ended_on >= o.visit_date, true), false
    ) AS informs
FROM across_one AS o
JOIN temp.visits AS v USING (visit_id)
UNION ALL
SELECT
    a.site_id, c.chapter, NULL, NULL, a.visit_id, a.visit_date, NULL,
    a.inlet_pressure_kpa - a.outlet_pressure_kpa,
    a.flow_lpm,
    NULL,
    a.pressure_read = 'before_work',
    a.fault,
    false
FROM across_all AS a
JOIN temp.chapters AS c
    ON c.site_id = a.site_id AND c.from_on <= a.visit_date AND coalesce(c.to_on > a.visit_date, true)
ORDER BY site_id, visit_date, visit_id, component NULLS FIRST, slot
