-- Refused rows that may have cut a spell and that no later load has mended.
-- A refused visit whose date cannot be read lies between its neighbours: the accepted visits of its site on the
-- lines before and after it, on a day of its own, wherever that file keeps the site's visits in order of date; else anywhere.
-- grain: one row a refused row of visits or work whose site is known; null component or slot = any
-- units: dates
-- reads: journal.cuts, records.visits
WITH noted AS (
    SELECT * FROM journal.cuts
),
accepted AS (
    SELECT visit_id, site_id, visit_date, file, line FROM records.visits
),
steps AS (
    SELECT
        file, site_id,
        visit_date >= lag(visit_date) OVER (PARTITION BY file, site_id ORDER BY line) AS forward
    FROM accepted
    WHERE (file, site_id) IN (SELECT (file, site_id) FROM noted WHERE visit_date IS NULL)
),
in_order AS (
    SELECT file, site_id FROM steps GROUP BY file, site_id HAVING bool_and(coalesce(forward, true))
),
neighbours AS (
    SELECT
        n.file, n.line, n.site_id,
        max(a.visit_date) FILTER (a.line < n.line) + 1 AS after_on,
        min(a.visit_date) FILTER (a.line > n.line) AS before_on
    FROM noted AS n
    JOIN in_order AS o USING (file, site_id)
    JOIN accepted AS a ON a.file = n.file AND a.site_id = n.site_id
    WHERE n.visit_date IS NULL
    GROUP BY n.file, n.line, n.site_id
)
SELECT
    n.table_name, n.site_id, n.visit_id, n.visit_date, n.component, n.slot, n.file, n.line,
    coalesce(n.visit_date, b.after_on) AS after_on,
    coalesce(n.visit_date, b.before_on) AS before_on
FROM noted AS n
LEFT JOIN neighbours AS b ON b.file = n.file AND b.line = n.line AND b.site_id = n.site_id
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
