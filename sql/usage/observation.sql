-- From when to when each visited site was in view, and whether it is still served.
-- A site unseen for more than twice its usual gap is lost to view at its last visit. The usual gap is the median
-- between planned visits, where there are two gaps or more; else that of the fleet, if longer than its own.
-- grain: one row a site with a visit
-- units: usual_gap_days days
-- reads: visits, records.sites
WITH visited AS (
    SELECT site_id, visit_date, visit_reason FROM temp.visits
),
left_sites AS (
    SELECT site_id, CASE WHEN left_on <= $as_of THEN left_on END AS left_on FROM records.sites
),
planned_days AS (
    SELECT DISTINCT site_id, visit_date FROM visited WHERE visit_reason <> 'callout'
),
gaps AS (
    SELECT site_id, visit_date - lag(visit_date) OVER (PARTITION BY site_id ORDER BY visit_date) AS gap_days
    FROM planned_days
),
fleet AS (
    SELECT median(gap_days) AS gap_days FROM gaps
),
own AS (
    SELECT site_id, median(gap_days) AS gap_days, count(gap_days) AS gaps FROM gaps GROUP BY site_id
),
seen AS (
    SELECT
        site_id,
        min(visit_date) AS first_visit_on,
        max(visit_date) AS last_visit_on,
        count(*) AS visits,
        count(*) FILTER (visit_reason = 'callout') AS callouts
    FROM visited
    GROUP BY site_id
),
judged AS (
    SELECT
        s.*,
        l.left_on,
        CASE WHEN o.gaps >= 2 THEN o.gap_days ELSE greatest(o.gap_days, f.gap_days) END AS usual_gap_days
    FROM seen AS s
    JOIN left_sites AS l USING (site_id)
    LEFT JOIN own AS o USING (site_id)
    CROSS JOIN fleet AS f
),
lost AS (
    SELECT *, left_on IS NULL AND coalesce($as_of - last_visit_on > 2 * usual_gap_days, false) AS lost_to_view
    FROM judged
)
SELECT
    site_id,
    first_visit_on,
    last_visit_on,
    visits::INTEGER AS visits,
    callouts::INTEGER AS callouts,
    usual_gap_days::DOUBLE AS usual_gap_days,
    left_on,
    lost_to_view,
    left_on IS NULL AND NOT lost_to_view AS served,
    CASE
        WHEN left_on IS NOT NULL THEN greatest(left_on, last_visit_on)
        WHEN lost_to_view THEN last_visit_on
        ELSE $as_of
    END AS observed_until
FROM lost
