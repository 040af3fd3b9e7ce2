-- Refused rows that may have cut a spell and that no later load has mended.
-- A refused visit whose date cannot be read lies between its neighbours by visit number, on a day of its own, where the
-- site's numbers rise with its dates over five visits or more; else anywhere. The order of the rows in a file says nothing.
-- grain: one row a refused row of visits or work whose site is known; null component or slot = any
-- units: dates
-- reads: journal.cuts, records.visits
WITH noted AS (
    -- a number made of site and date says no more than the date; a longer number is a later one (9, 10)
    SELECT
        *, CASE WHEN NOT starts_with(visit_id, site_id || '@') THEN row(length(visit_id), visit_id) END AS number
    FROM journal.cuts
),
accepted AS (
    SELECT visit_id, site_id, visit_date, row(length(visit_id), visit_id) AS number FROM records.visits
),
steps AS (
    SELECT
        site_id,
        NOT starts_with(visit_id, site_id || '@')
        AND coalesce(visit_date >= lag(visit_date) OVER (PARTITION BY site_id ORDER BY number), true) AS forward
    FROM accepted
    WHERE site_id IN (SELECT site_id FROM noted WHERE visit_date IS NULL)
),
in_order AS (
    SELECT site_id FROM steps GROUP BY site_id HAVING bool_and(forward) AND count(*) >= 5
),
neighbours AS (
    SELECT
        n.site_id, n.visit_id,
        max(a.visit_date) FILTER (a.number < n.number) + 1 AS after_on,
        min(a.visit_date) FILTER (a.number > n.number) AS before_on
    FROM noted AS n
    JOIN in_order AS o USING (site_id)
    JOIN accepted AS a USING (site_id)
    WHERE n.visit_date IS NULL
    GROUP BY n.site_id, n.visit_id
)
SELECT
    n.table_name, n.site_id, n.visit_id, n.visit_date, n.component, n.slot, n.file, n.line,
    coalesce(n.visit_date, b.after_on) AS after_on,
    coalesce(n.visit_date, b.before_on) AS before_on
FROM noted AS n
LEFT JOIN neighbours AS b ON b.site_id = n.site_id AND b.visit_id = n.visit_id AND n.visit_date IS NULL
WHERE
    (n.visit_date IS NULL OR n.visit_date <= $as_of)
    AND (
        n.table_name = 'work'
        OR NOT EXISTS (
            SELECT 1 FROM accepted AS a
            WHERE a.visit_id = n.visit_id
            OR (n.visit_id IS NULL AND a.site_id = n.site_id AND a.visit_date = n.visit_date)
        )
    )
