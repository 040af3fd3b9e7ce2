-- The spells left out of the estimate, each with its reason: component_not_defined, age_unknown, cut_by_refused_row,
-- zero_days, spent_at_first_look (announced: it entered at that very age), nothing_known (neither seen well nor spent).
-- grain: one row a fitting of one component in one slot at one site
-- units: dates
-- reads: bounds
WITH out_of_it AS (
    SELECT * FROM temp.bounds WHERE reason IS NOT NULL
)
SELECT
    spell_id, site_id, chapter, component, slot, part_number, fitted_on, ended_on, renewed_by, ended_how, reason,
    first_visit_id, last_visit_id
FROM out_of_it
ORDER BY spell_id
