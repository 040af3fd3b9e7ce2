-- Water that passed while each unit was in place, from the meter, between readings in a straight line.
-- grain: one row a unit whose site has a meter
-- units: litres L (null unless the meter covers all of its days), daily_litres L/day over the days that it covers;
-- the site's average over all its record where it covers none
-- reads: bounds, meter_segments
WITH spans AS (
    SELECT spell_id, site_id, fitted_on AS from_on, until_on FROM temp.bounds WHERE fitted_on < until_on
),
segments AS (
    SELECT * FROM temp.meter_segments
),
metered_sites AS (
    SELECT
        site_id,
        min(from_on) AS from_on,
        max(to_on) AS to_on,
        sum(litres) / nullif(sum(days) FILTER (litres IS NOT NULL), 0) AS daily_litres
    FROM segments
    GROUP BY site_id
),
days_of_interest AS (
    SELECT spell_id, site_id, 'from' AS side, from_on AS day FROM spans
    UNION ALL
    SELECT spell_id, site_id, 'until', until_on FROM spans
),
read_at AS (
    -- counted litres and days from the first reading of the site up to a day
    SELECT
        d.spell_id,
        d.side,
        s.litres_before
        + coalesce(s.litres * (least(d.day, s.to_on) - s.from_on) / s.days, 0) AS litres,
        s.days_before
        + CASE WHEN s.litres IS NOT NULL THEN least(d.day, s.to_on) - s.from_on ELSE 0 END AS days
    FROM days_of_interest AS d
    ASOF JOIN segments AS s ON s.site_id = d.site_id AND s.from_on <= d.day
),
both_sides AS (
    SELECT
        s.spell_id, s.site_id, s.from_on, s.until_on,
        coalesce(u.litres, 0) - coalesce(f.litres, 0) AS litres,
        coalesce(u.days, 0) - coalesce(f.days, 0) AS days
    FROM spans AS s
    LEFT JOIN read_at AS f ON f.spell_id = s.spell_id AND f.side = 'from'
    LEFT JOIN read_at AS u ON u.spell_id = s.spell_id AND u.side = 'until'
)
SELECT
    b.spell_id,
    -- rounded: the last bits of a sum depend on its order
    round(CASE WHEN b.days >= b.until_on - b.from_on THEN b.litres END, 3) AS litres,
    round(CASE WHEN b.days > 0 THEN b.litres / b.days ELSE m.daily_litres END, 3) AS daily_litres
FROM both_sides AS b
JOIN metered_sites AS m USING (site_id)
