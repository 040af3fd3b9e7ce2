-- Changes at a site known at as-of, every column of the records; those of a region spread over its sites, each lasting or
-- passing. A change that is over (until) has passed; drought, ash, vacant, hauled water and cleanings pass anyway.
-- grain: one row a site and change
-- units: dates
-- reads: records.changes, records.sites
WITH known AS (
    SELECT
        * EXCLUDE (file, line) REPLACE (CASE WHEN "until" <= $as_of THEN "until" END AS "until"),
        coalesce("until" > $as_of, true)
        AND kind IN ('roof', 'tank', 'pump', 'screen', 'first_flush', 'household', 'other') AS lasting
    FROM records.changes
    WHERE changed_on <= $as_of
),
site_records AS (
    SELECT site_id, region FROM records.sites
)
SELECT s.site_id, k.* EXCLUDE (site_id)
FROM known AS k
JOIN site_records AS s ON s.site_id = k.site_id OR (k.site_id IS NULL AND s.region = k.region)
ORDER BY s.site_id, k.changed_on, k.kind, k.region
