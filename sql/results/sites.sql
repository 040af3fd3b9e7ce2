-- Every site with the facts in force at as-of (every column of the records), how long it was in view, and what it uses.
-- grain: one row a site, visited or not
-- units: tank_litres L, roof_area_m2 m2, inlet_screen_um micron, usual_gap_days days, daily_litres L/day,
-- hardness_mg_l mg/L as CaCO3 (median of the measured), tank_age_years years
-- reads: records.sites, visits, observation, chapters, meter_segments, alarms
WITH facts AS (
    SELECT * EXCLUDE (file, line) FROM records.sites
),
current_chapter AS (
    SELECT site_id, max(chapter) AS chapters FROM temp.chapters GROUP BY site_id
),
water AS (
    SELECT site_id, sum(litres) / nullif(sum(days) FILTER (litres IS NOT NULL), 0) AS daily_litres
    FROM temp.meter_segments
    GROUP BY site_id
),
hardness AS (
    SELECT site_id, median(hardness_mg_l) AS hardness_mg_l FROM temp.visits GROUP BY site_id
)
SELECT
    f.* REPLACE (coalesce(f.potable, true) AS potable, o.left_on AS left_on),
    coalesce(c.chapters, 1)::INTEGER AS chapters,
    o.first_visit_on, o.last_visit_on,
    coalesce(o.visits, 0)::INTEGER AS visits,
    coalesce(o.callouts, 0)::INTEGER AS callouts,
    o.usual_gap_days,
    coalesce(o.served, f.left_on IS NULL OR f.left_on > $as_of) AS served,
    coalesce(o.lost_to_view, false) AS lost_to_view,
    round(w.daily_litres, 3) AS daily_litres,
    CASE
        WHEN w.daily_litres IS NOT NULL THEN 'meter'
        WHEN f.occupants IS NOT NULL THEN 'occupants'
        ELSE 'unknown'
    END AS daily_litres_source,
    h.hardness_mg_l,
    ($as_of - f.tank_installed) / 365.25 AS tank_age_years,
    coalesce(a.failed_sample_open, false) AS failed_sample_open,
    a.failed_sample_on,
    a.failed_sample_of,
    coalesce(a.open_alarm, false) AS open_alarm,
    a.open_alarm_on
FROM facts AS f
LEFT JOIN temp.observation AS o USING (site_id)
LEFT JOIN current_chapter AS c USING (site_id)
LEFT JOIN water AS w USING (site_id)
LEFT JOIN hardness AS h USING (site_id)
LEFT JOIN temp.alarms AS a USING (site_id)
ORDER BY f.site_id
