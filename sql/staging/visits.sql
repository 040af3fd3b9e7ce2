-- Visits known at as-of, every column of the records, with their reason and pressure reading resolved.
-- grain: one row a visit
-- units: those of the declared columns (intake/fields.py); visit_order counts the site's visits
-- reads: records.visits
WITH known AS (
    SELECT * FROM records.visits WHERE visit_date <= $as_of
),
resolved AS (
    SELECT * REPLACE (
        coalesce(
            visit_reason,
            CASE WHEN callout_cause IS NOT NULL OR reported_on IS NOT NULL THEN 'callout' ELSE 'routine' END
        ) AS visit_reason
    )
    FROM known
)
SELECT
    * EXCLUDE (file, line) REPLACE (
        coalesce(
            pressure_read, CASE WHEN visit_reason = 'commission' THEN 'after_work' ELSE 'before_work' END
        ) AS pressure_read
    ),
    row_number() OVER (PARTITION BY site_id ORDER BY visit_date, visit_id) AS visit_order,
    file, line
FROM resolved
ORDER BY site_id, visit_order
