-- Pressure readings that say nothing of a filter, and why.
-- wrong_way: outlet above inlet. no_flow: read with the water off. stuck_at_zero: nothing shown twice running (at a
-- call-out an outlet without pressure may be true).
-- in_psi: a fifth to a ninth of what is usual (1 psi = 6.9 kPa). bypassed: far below what clean filters take,
-- which is the lowest tenth of the drops, those left out that are below a tenth of the middle one: faulty readings must
-- not be their own yardstick.
-- grain: one row a visit and housing, or a visit (component and slot null), whose reading is in doubt
-- units: shown_kpa, usual_kpa kPa; file and line of the row that the reading stands on
-- reads: visits, work
WITH read_visits AS (
    SELECT
        visit_id, site_id, visit_order, visit_reason, inlet_pressure_kpa AS inlet, outlet_pressure_kpa AS outlet, flow_lpm,
        inlet_pressure_kpa - outlet_pressure_kpa AS drop_kpa, file, line
    FROM temp.visits
    WHERE inlet_pressure_kpa IS NOT NULL AND outlet_pressure_kpa IS NOT NULL
),
usual_here AS (
    SELECT site_id, median(inlet) AS inlet, count(*) AS readings FROM read_visits GROUP BY site_id
),
middle_anywhere AS (
    SELECT median(inlet) AS inlet, median(drop_kpa) FILTER (drop_kpa > 1) AS drop_kpa, count(*) AS readings FROM read_visits
),
usual_anywhere AS (
    SELECT any_value(m.inlet) AS inlet, any_value(m.readings) AS readings,
        quantile_cont(v.drop_kpa, 0.1) FILTER (v.drop_kpa > 0.1 * m.drop_kpa) AS low_kpa
    FROM read_visits AS v
    CROSS JOIN middle_anywhere AS m
),
across_all AS (
    SELECT
        v.*,
        CASE WHEN h.readings >= 3 THEN h.inlet WHEN a.readings >= 20 THEN a.inlet END AS usual_inlet,
        CASE WHEN a.readings >= 20 THEN a.low_kpa END AS low_kpa,
        v.outlet = 0 AND v.visit_reason <> 'callout'
        AND coalesce(lag(v.outlet) OVER site, lead(v.outlet) OVER site) = 0 AS still_zero
    FROM read_visits AS v
    JOIN usual_here AS h USING (site_id)
    CROSS JOIN usual_anywhere AS a
    WINDOW site AS (PARTITION BY v.site_id ORDER BY v.visit_order)
),
housings AS (
    SELECT
        w.visit_id, w.site_id, w.component, w.slot, any_value(w.visit_order) AS visit_order,
        max(w.pressure_drop_kpa) AS drop_kpa, any_value(v.flow_lpm) AS flow_lpm,
        first(w.file ORDER BY w.pressure_drop_kpa DESC, w.file, w.line) AS file,
        first(w.line ORDER BY w.pressure_drop_kpa DESC, w.file, w.line) AS line
    FROM temp.work AS w
    JOIN temp.visits AS v USING (visit_id)
    WHERE w.pressure_drop_kpa IS NOT NULL
    GROUP BY w.visit_id, w.site_id, w.component, w.slot
),
middle_drop AS (
    SELECT component, median(drop_kpa) FILTER (drop_kpa > 1) AS drop_kpa FROM housings GROUP BY component
),
usual_drop AS (
    SELECT
        component, count(*) AS readings, quantile_cont(h.drop_kpa, 0.1) FILTER (h.drop_kpa > 0.1 * m.drop_kpa) AS low_kpa
    FROM housings AS h
    JOIN middle_drop AS m USING (component)
    GROUP BY component
),
across_one AS (
    SELECT
        h.*,
        CASE WHEN u.readings >= 20 THEN u.low_kpa END AS low_kpa,
        drop_kpa = 0 AND (lag(drop_kpa) OVER slot_in_time = 0 OR lead(drop_kpa) OVER slot_in_time = 0) AS still_zero
    FROM housings AS h
    JOIN usual_drop AS u USING (component)
    WINDOW slot_in_time AS (PARTITION BY h.site_id, h.component, h.slot ORDER BY h.visit_order)
),
counted AS (
    SELECT
        *,
        count_if(drop_kpa < 0.35 * low_kpa) OVER here * 2 > count(*) OVER here AND count(*) OVER here > 1 AS mostly_low
    FROM across_one
    WINDOW here AS (PARTITION BY site_id, component, slot)
),
judged AS (
    SELECT
        visit_id, site_id, NULL AS component, NULL AS slot, drop_kpa AS shown_kpa, usual_inlet AS usual_kpa, file, line,
        CASE
            WHEN outlet > inlet THEN 'wrong_way'
            WHEN inlet = 0 OR still_zero THEN 'stuck_at_zero'
            WHEN flow_lpm = 0 OR inlet - outlet <= 1 THEN 'no_flow'
            WHEN inlet BETWEEN usual_inlet / 9 AND usual_inlet / 5 THEN 'in_psi'
            WHEN drop_kpa < 0.2 * low_kpa THEN 'bypassed'
        END AS fault
    FROM across_all
    UNION ALL
    SELECT
        visit_id, site_id, component, slot, drop_kpa, low_kpa, file, line,
        CASE
            WHEN still_zero THEN 'stuck_at_zero'
            WHEN flow_lpm = 0 OR drop_kpa = 0 THEN 'no_flow'
            WHEN drop_kpa < 0.35 * low_kpa AND mostly_low THEN 'in_psi'
            WHEN drop_kpa < 0.35 * low_kpa THEN 'bypassed'
        END
    FROM counted
)
SELECT
    visit_id, site_id, component, slot, shown_kpa::DOUBLE AS shown_kpa, usual_kpa::DOUBLE AS usual_kpa, fault, file, line
FROM judged
WHERE fault IS NOT NULL
