-- Every unit that was ever in place: how it began, what was seen of it, and the visit that ended its life, if any.
-- The life ends at the first visit that finds it spent or takes it out (or cleans it, where cleaning renews).
-- grain: one row a site, component, slot and unit
-- units: dates; came_unseen = in place before any visit recorded its fitting (fitted_on then comes from the records);
-- put_in_on = when the part itself went in, which cleaning does not change (null = nobody knows), put_in_noted_on = the
-- visit that said so where none saw it go in; part_seen_on = the first visit that saw the part; cleaned_on = its last
-- cleaning
-- reads: events
WITH events_seen AS (
    SELECT * FROM temp.events
),
begun AS (
    SELECT
        site_id, component, slot, unit_out AS unit, visit_date AS begun_on, renewed_by, part_in AS part_number,
        visit_id AS first_visit_id, visit_date AS first_seen_on, false AS came_unseen
    FROM events_seen
    WHERE unit_out IS NOT NULL
    UNION ALL
    SELECT
        site_id, component, slot, unit_in, NULL, 'fitted', NULL, visit_id, visit_date, true
    FROM events_seen
    WHERE came_unseen
),
-- grouped and joined back, not a window over each unit: half the time
ends AS (
    SELECT site_id, component, slot, unit_in, min(visit_order) AS end_order, min(visit_date) AS end_on
    FROM events_seen
    WHERE unit_in IS NOT NULL AND (found_spent OR renews OR removed)
    GROUP BY ALL
),
seen AS (
    SELECT e.*, n.end_order, n.end_on
    FROM events_seen AS e
    LEFT JOIN ends AS n USING (site_id, component, slot, unit_in)
    WHERE e.unit_in IS NOT NULL
),
observed AS (
    SELECT
        site_id, component, slot, unit_in AS unit,
        bool_or(renews OR removed) AS came_out,
        min(old_fitted_on) AS said_fitted_on,
        min(visit_date) FILTER (old_fitted_on IS NOT NULL) AS said_on,
        max(part_seen) AS part_seen,
        count(*) FILTER ((good_look OR found_spent) AND visit_order <= coalesce(end_order, visit_order)) AS looks,
        max(visit_date) FILTER (good_look AND visit_order < coalesce(end_order, visit_order + 1)) AS last_good_on,
        max(visit_date) FILTER (good_look AND visit_order < end_order AND visit_date < end_on)
            AS last_good_before_end_on,
        max_by(visit_id, visit_order) FILTER (visit_order <= coalesce(end_order, visit_order)) AS last_visit_id,
        any_value(end_on) AS end_on,
        any_value(visit_id) FILTER (visit_order = end_order) AS end_visit_id,
        any_value(found_spent) FILTER (visit_order = end_order) AS found_spent,
        any_value(good_look) FILTER (visit_order = end_order) AS end_good_look,
        any_value(condition) FILTER (visit_order = end_order) AS end_condition,
        any_value(weight) FILTER (visit_order = end_order) AS end_weight,
        any_value(drop_kpa) FILTER (visit_order = end_order) AS end_drop_kpa
    FROM seen
    GROUP BY site_id, component, slot, unit_in
),
joined AS (
    SELECT
        b.*,
        o.* EXCLUDE (site_id, component, slot, unit),
        coalesce(b.part_number, o.part_seen) AS own_part,
        row_number() OVER (ORDER BY b.site_id, b.component, b.slot, b.unit)::INTEGER AS spell_id
    FROM begun AS b
    LEFT JOIN observed AS o USING (site_id, component, slot, unit)
),
bodies AS (
    -- a cleaned unit is the same part as before
    SELECT
        *,
        max(CASE WHEN unit = 1 OR renewed_by <> 'cleaned' THEN spell_id END)
            OVER (ORDER BY spell_id ROWS UNBOUNDED PRECEDING) AS body
    FROM joined
),
cleanings AS (
    SELECT b.body, max(e.visit_date) AS cleaned_on
    FROM events_seen AS e
    JOIN bodies AS b
        ON (b.site_id, b.component, b.slot) = (e.site_id, e.component, e.slot)
        AND b.unit = coalesce(e.unit_out, e.unit_in)
    -- what was cleaned and then replaced has gone
    WHERE e.cleaned AND coalesce(e.renewed_by, 'cleaned') = 'cleaned'
    GROUP BY b.body
),
put_in AS (
    -- what a visit said of a part that went in before the records; of one seen going in, the visit is surer
    SELECT
        body,
        min(first_seen_on) AS part_seen_on,
        CASE
            WHEN NOT bool_or(came_unseen) THEN min(begun_on)
            ELSE min(said_fitted_on) FILTER (said_fitted_on <= body_seen_on)
        END AS put_in_on,
        CASE
            WHEN bool_or(came_unseen) THEN min_by(said_on, said_fitted_on) FILTER (said_fitted_on <= body_seen_on)
        END AS put_in_noted_on
    FROM (SELECT *, min(first_seen_on) OVER (PARTITION BY body) AS body_seen_on FROM bodies)
    GROUP BY body
)
SELECT
    spell_id,
    site_id, component, slot, unit, renewed_by, came_unseen, first_seen_on,
    coalesce(begun_on, said_fitted_on) AS fitted_on,
    put_in_on, put_in_noted_on, cleaned_on, part_seen_on,
    max(own_part) OVER (PARTITION BY body) AS part_number,
    coalesce(looks, 0)::INTEGER AS looks,
    last_good_on, last_good_before_end_on,
    coalesce(came_out, false) AS came_out,
    first_visit_id,
    coalesce(last_visit_id, first_visit_id) AS last_visit_id,
    end_visit_id, end_on, found_spent, end_good_look, end_condition, end_weight, end_drop_kpa
FROM bodies
LEFT JOIN put_in USING (body)
LEFT JOIN cleanings USING (body)
