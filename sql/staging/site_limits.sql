-- Limits on the visit interval of a site, every column of the records; those of a region spread over its sites, in force
-- or agreed at as-of.
-- grain: one row a site and limit
-- units: max_days days
-- reads: records.site_limits, records.sites
WITH limits AS (
    SELECT * EXCLUDE (file, line) FROM records.site_limits WHERE "from" IS NULL OR "from" <= $as_of
),
site_records AS (
    SELECT site_id, region FROM records.sites
)
SELECT s.site_id, l.* EXCLUDE (site_id)
FROM limits AS l
JOIN site_records AS s ON s.site_id = l.site_id OR (l.site_id IS NULL AND s.region = l.region)
ORDER BY s.site_id, l.kind, l."from", l.max_days, l.region
