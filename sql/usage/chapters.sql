-- The chapters of each site: a lasting change after its first visit opens a new one.
-- grain: one row a site and chapter; to_on is the day the next begins, null for the current chapter
-- units: dates
-- reads: changes, observation
WITH lasting AS (
    SELECT DISTINCT c.site_id, c.changed_on
    FROM temp.changes AS c
    JOIN temp.observation AS o USING (site_id)
    WHERE c.lasting AND c.changed_on > o.first_visit_on
),
openings AS (
    SELECT site_id, DATE '0001-01-01' AS from_on FROM temp.observation
    UNION ALL
    SELECT site_id, changed_on FROM lasting
)
SELECT
    site_id,
    row_number() OVER (PARTITION BY site_id ORDER BY from_on)::INTEGER AS chapter,
    from_on,
    lead(from_on) OVER (PARTITION BY site_id ORDER BY from_on) AS to_on
FROM openings
