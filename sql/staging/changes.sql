-- Changes at a site known at as-of, those of a region spread over its sites, each lasting or passing.
-- A change that is over (until) has passed; drought, ash, vacant, hauled water and cleanings pass anyway.
-- grain: one row a site and change
-- units: dates
-- reads: records.changes, records.sites
WITH known AS (
    SELECT * FROM records.changes WHERE changed_on <= $as_of
),
site_records AS (
    SELECT site_id, region FROM records.sites
)
SELECT
    s.site_id,
    k.region,
    k.changed_on,
    CASE WHEN k."until" <= $as_of THEN k."until" END AS "until",
    k.kind,
    k.note,
    coalesce(k."until" > $as_of, true)
    AND k.kind IN ('roof', 'tank', 'pump', 'screen', 'first_flush', 'household', 'other') AS lasting
FROM known AS k
JOIN site_records AS s ON s.site_id = k.site_id OR (k.site_id IS NULL AND s.region = k.region)
ORDER BY s.site_id, k.changed_on, k.kind, k.region
