-- What keeps a site from being lengthened: a failed sample, an open UV alarm, a bypassed lamp.
-- Open until a later good result: a sample passed (of the same parameter, where one is named), a lamp renewed or seen
-- well. A lamp is a component of that role.
-- grain: one row a site with a visit
-- units: failed_sample_on and open_alarm_on, the last day on which what is still open was seen; failed_sample_of, what
-- failed (null = not said)
-- reads: visits, samples, events, component_rules
WITH sites AS (
    SELECT DISTINCT site_id FROM temp.visits
),
failed_samples AS (
    SELECT site_id, sampled_on AS failed_on, parameter, false AS by_visit FROM temp.samples WHERE NOT passed
    UNION ALL
    SELECT site_id, visit_date, NULL, true FROM temp.visits WHERE callout_cause = 'failed_sample'
),
still_failed AS (
    SELECT
        f.site_id, max(f.failed_on) AS failed_on,
        string_agg(DISTINCT f.parameter, ', ' ORDER BY f.parameter) AS parameters
    FROM failed_samples AS f
    ANTI JOIN temp.samples AS s
        ON s.passed
        AND s.site_id = f.site_id
        AND (s.sampled_on > f.failed_on OR (f.by_visit AND s.sampled_on = f.failed_on))
        AND coalesce(s.parameter = f.parameter, true)
    GROUP BY f.site_id
),
lamps AS (
    SELECT component FROM temp.component_rules WHERE role = 'lamp'
),
lamp_events AS (
    SELECT e.* FROM temp.events AS e SEMI JOIN lamps AS l USING (component)
),
raised AS (
    SELECT site_id, visit_order, visit_date FROM temp.visits WHERE callout_cause = 'uv_alarm'
    UNION ALL
    SELECT site_id, visit_order, visit_date FROM lamp_events WHERE found_spent OR (removed AND NOT renews)
),
still_open AS (
    SELECT r.site_id, max(r.visit_date) AS raised_on
    FROM raised AS r
    ANTI JOIN lamp_events AS e
        ON e.site_id = r.site_id AND e.visit_order >= r.visit_order AND (e.renews OR (e.good_look AND NOT e.removed))
    GROUP BY r.site_id
)
SELECT
    s.site_id,
    f.site_id IS NOT NULL AS failed_sample_open,
    f.failed_on AS failed_sample_on,
    f.parameters AS failed_sample_of,
    o.site_id IS NOT NULL AS open_alarm,
    o.raised_on AS open_alarm_on
FROM sites AS s
LEFT JOIN still_failed AS f USING (site_id)
LEFT JOIN still_open AS o USING (site_id)
