-- Spells that ended on the day they began, or before it.
-- grain: one row a spell
-- units: none
-- reads: left_out
SELECT
    'zero_days_long' AS check_name, 'warning' AS severity, site_id, last_visit_id AS visit_id, 1 AS rows,
    component || CASE WHEN slot <> '' THEN ' ' || slot ELSE '' END || ' in on ' || fitted_on || ', out on ' || ended_on
        AS message,
    'correct the dates, or delete the visit that is there twice; the spell is left out' AS what_to_do
FROM temp.left_out
WHERE reason = 'zero_days' AND ended_on IS NOT NULL
