-- Units that came out on the day they went in, or before it. One that went in at the last visit in view of its site
-- did not come out: nothing contradicts there.
-- grain: one row a spell
-- units: none
-- reads: left_out, visits
SELECT
    'zero_days_long' AS check_name, 'warning' AS severity, l.site_id, l.last_visit_id AS visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || l.component || CASE WHEN l.slot <> '' THEN ' ' || l.slot ELSE '' END
        || ' in on ' || l.fitted_on || ', out on ' || l.ended_on AS message,
    'correct the dates, or delete the visit that is there twice; the spell is left out' AS what_to_do
FROM temp.left_out AS l
JOIN temp.visits AS v ON v.visit_id = l.last_visit_id
WHERE l.reason = 'zero_days' AND l.ended_on IS NOT NULL AND l.ended_how <> 'left'
