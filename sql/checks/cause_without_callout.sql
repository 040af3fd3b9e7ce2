-- Visits with a call-out cause or a day of reporting that say they were no call-out.
-- grain: one row a visit
-- units: none
-- reads: visits
SELECT
    'cause_without_callout' AS check_name, 'warning' AS severity, site_id, visit_id, 1 AS rows,
    file || ' line ' || line || ': ' || visit_reason || ' visit with ' || CASE
        WHEN callout_cause IS NOT NULL THEN 'call-out cause ' || callout_cause
        ELSE 'reported_on ' || reported_on
    END AS message,
    'write callout as the reason, or delete the cause; it counts as a ' || visit_reason || ' visit' AS what_to_do
FROM temp.visits
WHERE visit_reason <> 'callout' AND (callout_cause IS NOT NULL OR reported_on IS NOT NULL)
