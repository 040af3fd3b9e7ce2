-- How each unit's time ended, by the table of cases, before chapters are looked at.
-- failed: found spent at a call-out for one of its causes, announced kinds only; the day is that of the call when given
-- and when it lies after the last good look. found_spent: found so at any other visit. competing: came out for
-- another finding. taken_out: came out while known not spent. unknown: came out, finding unknown.
-- grain: one row a site, component, slot and unit
-- units: dates; life_end_on is the day the estimate takes, ended_on the day it came out of view (null = in place)
-- reads: fittings, visits, observation, component_rules, end_causes
WITH units AS (
    SELECT * FROM temp.fittings
),
rules AS (
    SELECT component, announced FROM temp.component_rules
),
end_visits AS (
    SELECT visit_id, visit_reason, callout_cause, reported_on FROM temp.visits
),
joined AS (
    SELECT
        u.*,
        r.component IS NOT NULL AS defined,
        coalesce(r.announced, true) AS announced,
        v.reported_on,
        coalesce(r.announced AND v.visit_reason = 'callout' AND c.cause IS NOT NULL, false) AS called_for_it,
        o.first_visit_on,
        o.observed_until,
        o.served
    FROM units AS u
    JOIN temp.observation AS o USING (site_id)
    LEFT JOIN rules AS r USING (component)
    LEFT JOIN end_visits AS v ON v.visit_id = u.end_visit_id
    LEFT JOIN temp.end_causes AS c ON c.component = u.component AND c.cause = v.callout_cause
),
named AS (
    SELECT
        *,
        CASE
            WHEN end_on IS NULL THEN CASE WHEN served THEN 'in_place' ELSE 'left' END
            WHEN found_spent THEN CASE WHEN called_for_it THEN 'failed' ELSE 'found_spent' END
            WHEN end_weight = 4 THEN 'competing'
            WHEN end_good_look THEN 'taken_out'
            ELSE 'unknown'
        END AS ended_how
    FROM joined
)
SELECT
    spell_id, site_id, component, slot, unit, part_number, renewed_by, came_unseen, first_seen_on, fitted_on,
    put_in_on, put_in_noted_on, cleaned_on, part_seen_on,
    first_visit_on, observed_until, served, defined, announced, looks, last_good_on, last_good_before_end_on, came_out,
    first_visit_id, last_visit_id, end_visit_id, ended_how, end_condition, end_drop_kpa,
    CASE WHEN ended_how = 'competing' THEN end_condition END AS competing_reason,
    CASE WHEN ended_how = 'left' THEN observed_until ELSE end_on END AS ended_on,
    CASE
        WHEN ended_how IN ('in_place', 'left') THEN observed_until
        WHEN ended_how = 'failed' AND reported_on > greatest(fitted_on, last_good_before_end_on) THEN reported_on
        ELSE end_on
    END AS life_end_on
FROM named
