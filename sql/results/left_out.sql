-- The spells left out of the estimate, each with its reason: component_not_defined, age_unknown, cut_by_refused_row,
-- zero_days, spent_at_first_look (announced: it entered at that very age), nothing_known (neither seen well nor spent),
-- passing_change (a drought or the like touched it, and the settings leave such out).
-- grain: one row a fitting of one component in one slot at one site
-- units: dates
-- reads: bounds, passing_changes
WITH out_of_it AS (
    SELECT b.* REPLACE (coalesce(b.reason, 'passing_change') AS reason)
    FROM temp.bounds AS b
    LEFT JOIN temp.passing_changes AS p USING (spell_id)
    WHERE b.reason IS NOT NULL OR coalesce(p.left_out, false)
)
SELECT
    spell_id, site_id, chapter, component, slot, part_number, fitted_on, first_seen_on, ended_on, gone_on,
    renewed_by, ended_how, reason,
    first_visit_id, last_visit_id
FROM out_of_it
ORDER BY spell_id
