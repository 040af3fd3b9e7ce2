-- Lamp counters that went up with no new lamp on record.
-- grain: one row a visit
-- units: days
-- reads: visits, events, component_rules
WITH lamps AS (
    SELECT component FROM temp.component_rules WHERE role = 'lamp'
),
renewals AS (
    SELECT e.site_id, e.visit_order FROM temp.events AS e SEMI JOIN lamps AS l USING (component) WHERE e.renews
),
pairs AS (
    SELECT
        *,
        lag(lamp_days_left) OVER site AS before_days_left,
        lag(visit_order) OVER site AS before_order
    FROM temp.visits
    WHERE lamp_days_left IS NOT NULL
    WINDOW site AS (PARTITION BY site_id ORDER BY visit_order)
)
SELECT
    'lamp_counter_reset' AS check_name, 'warning' AS severity, p.site_id, p.visit_id, 1 AS rows,
    p.file || ' line ' || p.line || ': lamp counter up from ' || p.before_days_left || ' to ' || p.lamp_days_left
        || ' days left, but no new lamp on record' AS message,
    'add the lamp that was fitted, or say that only the counter was reset' AS what_to_do
FROM pairs AS p
ANTI JOIN renewals AS r ON r.site_id = p.site_id AND r.visit_order BETWEEN p.before_order AND p.visit_order
WHERE p.lamp_days_left > p.before_days_left
