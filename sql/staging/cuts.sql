-- Refused rows that may have cut a spell and that no later load has mended.
-- grain: one row a refused row of visits or work whose site is known; null date, component or slot = any
-- units: dates
-- reads: journal.cuts, records.visits
WITH noted AS (
    SELECT * FROM journal.cuts
),
accepted AS (
    SELECT visit_id, site_id, visit_date FROM records.visits
)
SELECT n.table_name, n.site_id, n.visit_id, n.visit_date, n.component, n.slot, n.file, n.line
FROM noted AS n
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
