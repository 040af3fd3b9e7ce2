-- The stages in line at every pressure reading across all of them: which unit was in place, and how old.
-- Before the work the unit found in place, after it the one left in place (0 days old where renewed).
-- usable: every stage is one known unit of known age, in place and not known spent before; two units of a kind may
-- stand in line or side by side, which the records do not tell.
-- grain: one row a visit with a reading across all stages, component and slot
-- units: days, kPa, L/min; spell_id null = not among the spells of the estimate
-- reads: visits, bounds, gauge_faults, component_rules
WITH line AS (
    SELECT
        v.visit_id, v.site_id, v.visit_date, v.pressure_read = 'before_work' AS read_before_work,
        v.inlet_pressure_kpa - v.outlet_pressure_kpa AS drop_kpa, v.flow_lpm
    FROM temp.visits AS v
    ANTI JOIN (SELECT visit_id FROM temp.gauge_faults WHERE component IS NULL) AS f USING (visit_id)
    WHERE v.inlet_pressure_kpa >= v.outlet_pressure_kpa
),
units AS (
    SELECT
        b.*,
        CASE WHEN b.came_unseen THEN coalesce(b.fitted_on, DATE '0001-01-01') ELSE b.fitted_on END AS began_on
    FROM temp.bounds AS b
    JOIN temp.component_rules AS r ON r.component = b.component AND r.pressure_limit_kpa IS NOT NULL
),
in_line AS (
    SELECT l.*, u.* EXCLUDE (site_id)
    FROM line AS l
    JOIN units AS u
        ON u.site_id = l.site_id
        AND (u.began_on < l.visit_date OR (NOT l.read_before_work AND u.began_on = l.visit_date))
    QUALIFY row_number() OVER (PARTITION BY l.visit_id, u.component, u.slot ORDER BY u.unit DESC) = 1
),
judged AS (
    SELECT
        *,
        coalesce(end_visit_id = visit_id AND unit_ended_how IN ('failed', 'found_spent'), false) AS spent_seen,
        fitted_on IS NOT NULL AND coalesce(ended_on >= visit_date, true)
        AND count(*) OVER (PARTITION BY visit_id, component) = 1 AS known
    FROM in_line
)
SELECT
    site_id, visit_id, visit_date, component, slot,
    CASE WHEN reason IS NULL THEN spell_id END AS spell_id,
    (visit_date - fitted_on)::DOUBLE AS age_days,
    drop_kpa::DOUBLE AS drop_kpa,
    flow_lpm::DOUBLE AS flow_lpm,
    spent_seen,
    bool_and(known) OVER (PARTITION BY visit_id) AS usable
FROM judged
ORDER BY site_id, visit_date, visit_id, component, slot
