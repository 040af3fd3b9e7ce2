-- Technicians' labels under which end-of-life findings at routine visits are far more, or far fewer, than under the
-- others for the same component at like ages in the same region. A question about how findings come into the records,
-- never about a person: ages are compared in quarters of the customary interval up to twice it, sites differ, and a
-- label may stand for several hands.
-- A score test: found less expected, over the strata of component, age and region that another label shares; its
-- variance from sums by site, as findings at one site are alike (a share of the whole is not taken off it, so few are
-- named too soon). Two-sided, the tail of the normal law bounded from above (Mills), times the number of labels tried:
-- below 1 in 100. And only from 5 findings on either side of what is expected, half as many again or two thirds. One
-- odd label makes the others look odd, so only the one farthest off is named; the next shows when that is settled.
-- grain: one row a technician's label
-- units: none
-- reads: events, fittings, visits, sites, component_rules
WITH looks AS (
    SELECT
        v.technician,
        e.site_id,
        e.component,
        s.region,
        floor(4 * least((e.visit_date - f.fitted_on) / r.customary_days, 2)) AS age,
        e.found_spent::INTEGER AS spent
    FROM temp.events AS e
    JOIN temp.visits AS v ON v.visit_id = e.visit_id AND v.visit_reason = 'routine' AND v.technician IS NOT NULL
    JOIN temp.fittings AS f ON (f.site_id, f.component, f.slot, f.unit) = (e.site_id, e.component, e.slot, e.unit_in)
    JOIN temp.sites AS s ON s.site_id = e.site_id
    JOIN temp.component_rules AS r ON r.component = e.component
    WHERE (e.good_look OR e.found_spent) AND e.visit_date > f.fitted_on AND coalesce(e.visit_date <= f.end_on, true)
),
expected AS (
    SELECT
        technician,
        site_id,
        spent,
        avg(spent) OVER stratum AS chance,
        min(technician) OVER stratum < max(technician) OVER stratum AS shared
    FROM looks
    WINDOW stratum AS (PARTITION BY component, region, age)
),
by_site AS (
    SELECT
        technician, site_id, count(*) AS looks, sum(spent)::INTEGER AS found, sum(chance) AS chances,
        sum(spent - chance) AS over
    FROM expected
    WHERE shared
    GROUP BY ALL
),
scores AS (
    SELECT
        technician,
        sum(looks)::INTEGER AS looks,
        sum(found)::INTEGER AS found,
        sum(chances) AS chances,
        abs(sum(over)) / sqrt(nullif(sum(over * over), 0)) AS z
    FROM by_site
    GROUP BY technician
    HAVING count(*) >= 10
),
tried AS (
    SELECT
        *,
        2 * exp(-z * z / 2) / (z * sqrt(2 * pi())) * count(*) OVER () AS chance_at_most,
        round(z, 9) = max(round(z, 9)) OVER () AS farthest
    FROM scores
)
SELECT
    'technician_findings_differ' AS check_name, 'note' AS severity, NULL::VARCHAR AS site_id,
    NULL::VARCHAR AS visit_id, looks AS rows,
    'under ' || technician || ', ' || found || ' of ' || looks || ' looks at routine visits found the end of life; '
        || 'as the others write at like ages in the same regions it would be ' || round(chances, 1) AS message,
    'a question about the records, not about a person: are the same words and limits used for what is found, and does '
        || 'the label stand for the same kind of visits? Findings are used as they stand' AS what_to_do
FROM tried
WHERE
    farthest
    AND chance_at_most < 0.01
    AND abs(found - chances) >= 5
    AND (found >= 1.5 * chances OR found <= chances / 1.5)
