-- Every unit with its chapter and the bounds of its life, and the reason if the estimate must leave it out.
-- A unit that stays in place over a lasting change keeps the chapter it went in under, and is right-censored at the
-- change ('left': the chapter closed before the unit did); if nothing shows it was well on that day, at its last
-- good look before. Entry: announced kinds whose fitting no visit saw enter at their age when observation of the
-- site began, or when first seen if they came later; hidden kinds enter at 0.
-- grain: one row a site, component, slot and unit
-- units: days since it went in; upper_days 'inf' = right-censored; gone_on = when the unit itself came out or out of
-- view, whatever its chapter did (null = in place)
-- reads: endings, chapters, cuts
WITH units AS (
    SELECT * FROM temp.endings
),
in_chapter AS (
    SELECT u.*, c.chapter, c.to_on < u.life_end_on AS straddles, c.to_on
    FROM units AS u
    JOIN temp.chapters AS c
        ON c.site_id = u.site_id
        AND c.from_on <= coalesce(u.fitted_on, u.first_seen_on)
        AND coalesce(c.to_on > coalesce(u.fitted_on, u.first_seen_on), true)
),
aged AS (
    SELECT
        * EXCLUDE (straddles),
        coalesce(straddles, false) AS straddles,
        life_end_on - fitted_on AS end_age,
        to_on - fitted_on AS change_age,
        greatest(coalesce(last_good_on - fitted_on, 0), 0) AS good_age,
        greatest(coalesce(last_good_before_end_on - fitted_on, 0), 0) AS good_age_before,
        CASE
            WHEN NOT announced OR NOT came_unseen THEN 0
            WHEN fitted_on <= first_visit_on THEN first_visit_on - fitted_on
            ELSE first_seen_on - fitted_on
        END AS entry_age,
        ended_how IN ('failed', 'taken_out', 'competing')
        OR last_good_on >= to_on
        OR (announced AND ended_how IN ('in_place', 'left')) AS well_at_change
    FROM in_chapter
),
bounded AS (
    SELECT
        *,
        CASE
            WHEN straddles THEN CASE WHEN well_at_change THEN change_age ELSE good_age END
            WHEN ended_how IN ('failed', 'taken_out', 'competing') THEN end_age
            WHEN ended_how = 'found_spent' THEN good_age_before
            WHEN ended_how = 'unknown' OR NOT announced THEN good_age
            ELSE end_age
        END AS lower_age,
        CASE WHEN NOT straddles AND ended_how IN ('failed', 'found_spent') THEN end_age END AS upper_age
    FROM aged
),
cut AS (
    SELECT DISTINCT b.spell_id
    FROM bounded AS b
    JOIN temp.cuts AS c
        ON c.site_id = b.site_id
        AND coalesce(c.component = b.component, true)
        AND coalesce(c.slot = b.slot, true)
        AND coalesce(c.before_on > b.fitted_on, true)
        AND coalesce(c.after_on <= coalesce(b.ended_on, $as_of), true)
),
reasoned AS (
    SELECT
        b.*,
        CASE
            WHEN NOT b.defined THEN 'component_not_defined'
            WHEN b.fitted_on IS NULL THEN 'age_unknown'
            WHEN c.spell_id IS NOT NULL THEN 'cut_by_refused_row'
            WHEN b.end_age <= 0 THEN 'zero_days'
            WHEN b.upper_age <= b.entry_age THEN 'spent_at_first_look'
            WHEN b.upper_age IS NULL AND b.lower_age <= b.entry_age THEN 'nothing_known'
        END AS reason
    FROM bounded AS b
    LEFT JOIN cut AS c USING (spell_id)
)
SELECT
    spell_id, site_id, chapter, component, slot, unit, part_number, fitted_on,
    put_in_on, put_in_noted_on, cleaned_on, part_seen_on, first_seen_on,
    ended_on AS gone_on,
    CASE WHEN straddles THEN to_on ELSE ended_on END AS ended_on,
    renewed_by,
    CASE WHEN straddles THEN 'left' ELSE ended_how END AS ended_how,
    CASE WHEN NOT straddles THEN competing_reason END AS competing_reason,
    greatest(lower_age, entry_age)::DOUBLE AS lower_days,
    coalesce(upper_age::DOUBLE, 'inf'::DOUBLE) AS upper_days,
    entry_age::DOUBLE AS entry_days,
    CASE WHEN straddles THEN to_on ELSE life_end_on END AS until_on,
    looks, first_visit_id, last_visit_id, end_visit_id, end_condition, end_drop_kpa, straddles, came_unseen, announced,
    ended_how AS unit_ended_how, last_good_on, observed_until, came_out, served, reason
FROM reasoned
