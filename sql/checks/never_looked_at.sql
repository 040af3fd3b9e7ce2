-- Components in place that no work tells of for more than twice their customary interval, at sites that were visited.
-- grain: one row a site, component and slot; rows = the visits since
-- units: days
-- reads: in_place, events, visits, component_rules
WITH touched AS (
    SELECT site_id, component, slot, max(visit_date) AS last_on, max_by(visit_id, visit_order) AS last_visit_id
    FROM temp.events
    GROUP BY ALL
),
untouched AS (
    SELECT
        p.site_id, p.component, p.slot, t.last_on,
        l.file || ' line ' || l.line AS place,
        count(DISTINCT v.visit_date) AS visits_since
    FROM temp.in_place AS p
    JOIN touched AS t USING (site_id, component, slot)
    JOIN temp.component_rules AS r USING (component)
    JOIN temp.visits AS l ON l.visit_id = t.last_visit_id
    JOIN temp.visits AS v ON v.site_id = p.site_id AND v.visit_date > t.last_on
    WHERE p.served AND NOT p.removed
    GROUP BY p.site_id, p.component, p.slot, t.last_on, r.customary_days, l.file, l.line
    HAVING max(v.visit_date) - t.last_on > 2 * r.customary_days
)
SELECT
    'never_looked_at' AS check_name, 'note' AS severity, site_id, NULL::VARCHAR AS visit_id,
    visits_since::INTEGER AS rows,
    place || ': ' || component || CASE WHEN slot <> '' THEN ' ' || slot ELSE '' END || ' of site ' || site_id
        || ' last written down on ' || last_on || '; ' || visits_since || ' visits since then say nothing of it'
        AS message,
    'write down every look, also inspected and good; or removed, if it is no longer there' AS what_to_do
FROM untouched
WHERE visits_since >= 2
