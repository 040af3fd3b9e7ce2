-- Refused rows that may have cut spells, with how many spells were left out on their account.
-- grain: one row a refused row
-- units: none
-- reads: cuts, left_out
SELECT
    'cut_by_refused_row' AS check_name, 'warning' AS severity, c.site_id, c.visit_id,
    count(l.spell_id)::INTEGER AS rows,
    c.file || ' line ' || c.line || ': a refused row of ' || c.table_name || ' may have cut ' || count(l.spell_id)
        || ' spells of site ' || c.site_id AS message,
    'correct the row and load the file again; until then those spells are left out' AS what_to_do
FROM temp.cuts AS c
LEFT JOIN temp.left_out AS l
    ON l.site_id = c.site_id
    AND l.reason = 'cut_by_refused_row'
    AND coalesce(c.component = l.component, true)
    AND coalesce(c.slot = l.slot, true)
    AND coalesce(c.before_on > l.fitted_on, true)
        AND coalesce(c.after_on <= coalesce(l.ended_on, $as_of), true)
GROUP BY c.table_name, c.site_id, c.visit_id, c.file, c.line
