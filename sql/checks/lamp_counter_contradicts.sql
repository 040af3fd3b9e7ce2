-- Lamp counters that ran slower or faster than the calendar between two visits, no new lamp in between.
-- A counter may be 14 days or a tenth of the time off (power fails), and it stands still at nought.
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
        lag(visit_order) OVER site AS before_order,
        visit_date - lag(visit_date) OVER site AS elapsed_days
    FROM temp.visits
    WHERE lamp_days_left IS NOT NULL
    WINDOW site AS (PARTITION BY site_id ORDER BY visit_order)
),
same_lamp AS (
    SELECT p.*
    FROM pairs AS p
    ANTI JOIN renewals AS r
        ON r.site_id = p.site_id AND r.visit_order BETWEEN p.before_order AND p.visit_order
)
SELECT
    'lamp_counter_contradicts' AS check_name, 'warning' AS severity, site_id, visit_id, 1 AS rows,
    file || ' line ' || line || ': lamp counter ' || lamp_days_left || ' days left after ' || before_days_left || ', '
        || elapsed_days || ' days later' AS message,
    'correct the counter or the visit date; the visit date is used' AS what_to_do
FROM same_lamp
WHERE
    lamp_days_left <= before_days_left
    AND abs(before_days_left - lamp_days_left - elapsed_days) > greatest(14, 0.1 * elapsed_days)
    AND NOT (lamp_days_left = 0 AND before_days_left <= elapsed_days)
