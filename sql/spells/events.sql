-- What was found and done to each component at each visit, all its rows of work there taken together.
-- The worst finding wins; the condition on a fitted row is not a finding. found_spent: an end-of-life condition, or a
-- housing drop at or over the limit whatever the word says. good_look: looked at, known not at end of life (a
-- known condition, or a housing drop below the limit). unit_in is the unit found in place, unit_out the one that
-- began here; both count within site, component and slot.
-- grain: one row a visit, component and slot
-- units: drop_kpa kPa
-- reads: work, component_rules, end_conditions, renewing_actions, gauge_faults
WITH rows_of_work AS (
    SELECT
        w.* EXCLUDE (pressure_drop_kpa),
        -- a gauge in doubt is no look
        CASE WHEN f.fault IS NULL THEN w.pressure_drop_kpa END AS pressure_drop_kpa,
        r.component IS NOT NULL AS defined,
        r.pressure_limit_kpa,
        e.condition IS NOT NULL AS ends_life,
        CASE
            WHEN r.component IS NULL THEN w.action IN ('fitted', 'replaced')
            ELSE a.action IS NOT NULL
        END AS renewing
    FROM temp.work AS w
    LEFT JOIN temp.component_rules AS r USING (component)
    LEFT JOIN temp.end_conditions AS e ON e.component = w.component AND e.condition = w.condition
    LEFT JOIN temp.renewing_actions AS a ON a.component = w.component AND a.action = w.action
    LEFT JOIN temp.gauge_faults AS f ON (f.visit_id, f.component, f.slot) = (w.visit_id, w.component, w.slot)
),
weighed AS (
    SELECT
        *,
        CASE
            WHEN action = 'fitted' THEN NULL
            WHEN ends_life THEN 5
            WHEN condition IN ('blocked', 'scaled', 'failed', 'leaking', 'damaged') THEN 4
            WHEN condition = 'expired' THEN 3
            WHEN condition = 'loaded' THEN 2
            WHEN condition = 'good' THEN 1
            ELSE 0
        END AS weight
    FROM rows_of_work
),
together AS (
    SELECT
        component, slot, visit_id,
        any_value(site_id) AS site_id,
        any_value(visit_date) AS visit_date,
        any_value(visit_order) AS visit_order,
        any_value(pressure_limit_kpa) AS limit_kpa,
        -- the word breaks a tie, so that the order of rows does not
        max_by(condition, weight::VARCHAR || condition) AS condition,
        coalesce(max(weight), 0) AS weight,
        max(pressure_drop_kpa) AS drop_kpa,
        bool_or(renewing) AS renews,
        bool_or(action = 'removed') AS removed,
        bool_or(action <> 'fitted') AS about_the_old,
        bool_or(action = 'inspected' OR (action = 'cleaned' AND NOT renewing)) AS looked_in,
        bool_or(renewing AND action = 'replaced') AS replaced,
        bool_or(renewing AND action = 'fitted') AS fitted,
        bool_or(action = 'cleaned') AS cleaned,
        max(part_number) FILTER (action IN ('fitted', 'replaced')) AS part_in,
        max(part_number) FILTER (action NOT IN ('fitted', 'replaced')) AS part_seen,
        min(fitted_on) FILTER (action <> 'fitted') AS old_fitted_on
    FROM weighed
    GROUP BY visit_id, component, slot
),
judged AS (
    SELECT
        *,
        weight = 5 OR coalesce(drop_kpa >= limit_kpa, false) AS found_spent,
        CASE
            WHEN replaced OR (fitted AND removed) THEN 'replaced'
            WHEN fitted THEN 'fitted'
            WHEN renews THEN 'cleaned'
        END AS renewed_by,
        lag(renews OR NOT removed) OVER slot_in_time AS occupied
    FROM together
    WINDOW slot_in_time AS (PARTITION BY site_id, component, slot ORDER BY visit_order)
),
placed AS (
    SELECT
        *,
        NOT found_spent AND (weight > 0 OR coalesce(drop_kpa < limit_kpa, false)) AS good_look,
        -- a unit whose fitting no visit saw: there at the first touch, or again after it was taken out
        CASE WHEN occupied IS NULL THEN about_the_old WHEN occupied THEN false ELSE looked_in END AS came_unseen
    FROM judged
),
counted AS (
    SELECT
        *,
        count_if(came_unseen) OVER up_to + coalesce(count_if(renews) OVER before, 0) AS units_in,
        count_if(came_unseen) OVER up_to + count_if(renews) OVER up_to AS units_out
    FROM placed
    WINDOW
        up_to AS (PARTITION BY site_id, component, slot ORDER BY visit_order ROWS UNBOUNDED PRECEDING),
        before AS (
            PARTITION BY site_id, component, slot ORDER BY visit_order
            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
        )
)
SELECT
    site_id, component, slot, visit_id, visit_date, visit_order, condition, weight, drop_kpa, limit_kpa,
    found_spent, good_look, renews, removed, cleaned, renewed_by, came_unseen, part_in, part_seen, old_fitted_on,
    CASE WHEN coalesce(occupied, false) OR came_unseen THEN units_in END::INTEGER AS unit_in,
    CASE WHEN renews THEN units_out END::INTEGER AS unit_out
FROM counted
