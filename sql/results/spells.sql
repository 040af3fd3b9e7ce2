-- The spells that enter the estimate.
-- grain: one row a fitting of one component in one slot at one site
-- units: gone_on = when the unit came out of view, whatever its chapter did; days since it went in (upper_days 'inf' = right-censored, entry_days 0 = none), litres L, daily_litres L/day
-- reads: bounds, spell_water, passing_changes
WITH kept AS (
    SELECT * FROM temp.bounds WHERE reason IS NULL
)
SELECT
    k.spell_id, k.site_id, k.chapter, k.component, k.slot, k.part_number, k.fitted_on, k.ended_on, k.gone_on,
    k.renewed_by,
    k.ended_how, k.competing_reason, k.lower_days, k.upper_days, k.entry_days, w.litres, w.daily_litres, k.looks,
    k.first_visit_id, k.last_visit_id, k.end_condition, k.end_drop_kpa, p.flags
FROM kept AS k
LEFT JOIN temp.spell_water AS w USING (spell_id)
LEFT JOIN temp.passing_changes AS p USING (spell_id)
WHERE NOT coalesce(p.left_out, false)
ORDER BY k.spell_id
