-- What is in place now in each slot that was ever seen, at served sites and others.
-- grain: one row a site, component and slot
-- units: days; age_days null = age unknown; survived_days = the greatest age known not at end of life; fitted_on = when
-- its spell began (a cleaning where cleaning renews), put_in_on = when the part itself went in (null = nobody knows),
-- put_in_noted_on = the visit that said so where none saw it, cleaned_on = its last cleaning, part_seen_on = the first
-- visit that saw the part
-- reads: bounds, events, observation, chapters
WITH latest_unit AS (
    SELECT * FROM temp.bounds QUALIFY row_number() OVER (PARTITION BY site_id, component, slot ORDER BY unit DESC) = 1
),
latest_event AS (
    SELECT site_id, component, slot, unit_out IS NULL AND removed AS emptied
    FROM temp.events
    QUALIFY row_number() OVER (PARTITION BY site_id, component, slot ORDER BY visit_order DESC) = 1
),
current_chapter AS (
    SELECT site_id, max(chapter) AS chapter FROM temp.chapters GROUP BY site_id
),
looks AS (
    SELECT
        site_id, component, slot, unit_in AS unit,
        max(visit_date) AS last_look_on,
        max_by(found_spent, visit_order) AS spent_seen,
        max_by(condition, visit_order) FILTER (condition <> 'unknown') AS last_condition
    FROM temp.events
    WHERE unit_in IS NOT NULL AND (good_look OR found_spent)
    GROUP BY ALL
),
joined AS (
    SELECT
        u.*,
        c.chapter AS site_chapter,
        coalesce(e.emptied, false) AS emptied,
        l.last_look_on,
        coalesce(l.spent_seen, false) AS spent_now,
        l.last_condition,
        o.served AS site_served
    FROM latest_unit AS u
    JOIN latest_event AS e USING (site_id, component, slot)
    JOIN temp.observation AS o USING (site_id)
    JOIN current_chapter AS c USING (site_id)
    LEFT JOIN looks AS l USING (site_id, component, slot, unit)
)
SELECT
    site_id,
    site_chapter AS chapter,
    component,
    slot,
    part_number,
    fitted_on,
    renewed_by,
    put_in_on,
    put_in_noted_on,
    cleaned_on,
    part_seen_on,
    CASE WHEN NOT emptied THEN ($as_of - fitted_on)::DOUBLE END AS age_days,
    last_look_on,
    (last_look_on - fitted_on)::DOUBLE AS last_look_age_days,
    CASE
        WHEN announced AND unit_ended_how IN ('in_place', 'left') THEN greatest(coalesce(observed_until - fitted_on, 0), 0)
        ELSE greatest(coalesce(last_good_on - fitted_on, 0), 0)
    END::DOUBLE AS survived_days,
    spent_now AND NOT emptied AS spent_seen,
    emptied AS removed,
    last_condition,
    site_served AS served,
    CASE WHEN reason IS NULL THEN spell_id END AS spell_id
FROM joined
ORDER BY site_id, component, slot
