-- Call-outs reported before the failed unit was last seen well, or before it went in.
-- grain: one row a spell
-- units: none
-- reads: endings, visits
SELECT
    'report_before_last_look' AS check_name, 'warning' AS severity, e.site_id, v.visit_id, 1 AS rows,
    v.file || ' line ' || v.line || ': ' || e.component || ' reported on ' || v.reported_on || ', but '
        || CASE WHEN v.reported_on <= e.fitted_on THEN 'it went in on ' || e.fitted_on
            ELSE 'it was seen well on ' || e.last_good_before_end_on END AS message,
    'correct reported_on; the visit date is used' AS what_to_do
FROM temp.endings AS e
JOIN temp.visits AS v ON v.visit_id = e.end_visit_id
WHERE e.ended_how = 'failed' AND v.reported_on <= greatest(e.fitted_on, e.last_good_before_end_on)
