-- Water between one meter reading and the next; a reading below the one before means another meter: not counted.
-- grain: one row a site and pair of consecutive reading days
-- units: litres L (null = not known), days; *_before = counted water and days before the segment
-- reads: visits
WITH readings AS (
    SELECT site_id, visit_date, max_by(meter_m3, visit_order) AS meter_m3
    FROM temp.visits
    WHERE meter_m3 IS NOT NULL
    GROUP BY site_id, visit_date
),
pairs AS (
    SELECT
        site_id,
        lag(visit_date) OVER day AS from_on,
        visit_date AS to_on,
        meter_m3 - lag(meter_m3) OVER day AS used_m3
    FROM readings
    WINDOW day AS (PARTITION BY site_id ORDER BY visit_date)
),
segments AS (
    SELECT
        site_id,
        from_on,
        to_on,
        to_on - from_on AS days,
        CASE WHEN used_m3 >= 0 THEN 1000 * used_m3 END AS litres
    FROM pairs
    WHERE from_on IS NOT NULL
)
SELECT
    site_id,
    from_on,
    to_on,
    days,
    litres,
    coalesce(sum(litres) OVER earlier, 0)::DOUBLE AS litres_before,
    coalesce(sum(CASE WHEN litres IS NOT NULL THEN days END) OVER earlier, 0)::DOUBLE AS days_before
FROM segments
WINDOW earlier AS (PARTITION BY site_id ORDER BY from_on ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
