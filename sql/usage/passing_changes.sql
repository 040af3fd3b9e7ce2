-- Passing changes that touched each unit while it was in place (drought, ash, an empty house, a cleaned tank).
-- grain: one row a unit that any touched; flags = their kinds, in alphabetical order; left_out = the settings leave
-- units touched by one of them out of the lives
-- units: none
-- reads: bounds, changes, changes_left_out
WITH spans AS (
    SELECT spell_id, site_id, fitted_on, until_on FROM temp.bounds WHERE fitted_on IS NOT NULL
),
passing AS (
    SELECT
        site_id,
        kind,
        changed_on,
        -- a cleaning or an ash fall is over on its day; what has no end yet goes on
        CASE
            WHEN "until" IS NULL AND kind IN ('tank_cleaned', 'gutters_cleaned', 'ash') THEN changed_on
            ELSE coalesce("until", $as_of)
        END AS over_on
    FROM temp.changes
    WHERE NOT lasting
)
SELECT
    s.spell_id,
    string_agg(DISTINCT p.kind, ', ' ORDER BY p.kind) AS flags,
    bool_or(p.kind IN (SELECT kind FROM temp.changes_left_out)) AS left_out
FROM spans AS s
JOIN passing AS p ON p.site_id = s.site_id AND p.changed_on <= s.until_on AND p.over_on >= s.fitted_on
GROUP BY s.spell_id
