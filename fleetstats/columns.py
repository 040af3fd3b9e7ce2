"""The vocabulary of result tables: each column once, with its type, unit and meaning."""

#: A line: names | type | unit | meaning. A name with a table before it (`curves.high`) holds for that table
#: alone. Types: text, int, real, date, yesno, reals (a list of numbers). Unit "-" is none; `money` is the
#: currency of the settings, `share` a number from 0 to 1.
COLUMNS = """
site_id | text | - | the site
component | text | - | the kind of part; blank = not of one kind
slot | text | - | which of two alike at one site; blank = the only one
chapter | int | - | stretch of the site's history with the same lasting facts, counted from 1
chapters | int | - | stretches of the site's history
spell_id | int | - | the spell, numbered within this analysis
visit_id first_visit_id last_visit_id | text | - | the visit; first and last of a spell
part_number | text | - | the part as the records number it
as_of since | date | - | day up to which the records were known
origin | date | - | past day from which a forecast was made
todays_rule.origin | text | - | where the rule comes from
item | text | - | what the rule is for: the visits or a component
todays_rule.days | real | days | interval of today's rule
toml | text | - | the settings of the analysis as TOML
settings | text | - | fingerprint of the settings that plans rest on
low high | real | money/year | 90 % range of the cost or saving in the row
low_current high_current | real | money/year | 90 % range of the cost under today's rule
effects.low effects.high | real | ratio | 90 % range of the time ratio
curves.low curves.high removals.low removals.high | real | share | 90 % range of the share
life_curves.low life_curves.high | reals | share | 90 % range of survival on each day
part_costs.low part_costs.high | real | money/month | 90 % range of cost_per_month
policy_costs.low policy_costs.high | real | money/site/year | 90 % range of cost_per_site_year

site_name | text | - | name of the site
tank_material roof_material tree_cover occupancy region crew address_id | text | - | as the records of the
    site say
tank_installed | date | - | day the tank was built in
tank_litres | real | L | size of the tank
tank_age_years | real | years | age of the tank at as-of
roof_area_m2 | real | m2 | roof that feeds the tank
inlet_screen_um | real | micron | mesh of the inlet screen
occupants | real | persons | people in the household
first_flush | text | - | whether the first rain is led away: yes, no
potable | yesno | - | whether the water is drunk
left_on | date | - | day the site left the firm
first_visit_on last_visit_on | date | - | first and last visit on record
usual_gap_days | real | days | usual time between planned visits
served | yesno | - | whether the firm looks after the site at as-of
lost_to_view | yesno | - | whether visits stopped without the site leaving
daily_litres | real | L/day | water used
daily_litres_source | text | - | where the water use comes from
hardness_mg_l | real | mg/L | hardness of the water
failed_sample_open open_alarm | yesno | - | a failed sample, a UV alarm without an answer yet
failed_sample_on open_alarm_on | date | - | last day on which what is still open was seen
failed_sample_of | text | - | what failed in the sample; blank = not said
unsafe_water.why | text | - | failed_sample, open_alarm, lamp_dead, lamp_missing, lamp_past_rated or
    sleeve_scaled
unsafe_water.since | date | - | day it was seen or passed; blank = not known
unsafe_water.what | text | - | what failed in the sample
unsafe_water.days | real | days | rated life of the lamp
visits | int | visits | visits counted
callouts | int | visits | call-outs among them
visit_date | date | - | day of the visit
visit_reason callout_cause pressure_read technician notes source_ref | text | - | as the record of the visit
    says
reported_on | date | - | day the household called
inlet_pressure_kpa outlet_pressure_kpa pressure_drop_kpa | real | kPa | pressure read at the visit
flow_lpm | real | L/min | flow read
meter_m3 | real | m3 | water meter
turbidity_ntu | real | NTU | cloudiness of the water
uvt_percent uv_intensity_percent | real | % | UV transmittance, UV intensity
lamp_days_left | real | days | what the lamp's counter has left
visit_order | int | - | order of visits of one day
file | text | - | file that the record came from
line | int | - | line of the file
action condition renewed_by | text | - | what was done, what was found, what renewed the unit
due.action | text | - | what to do
changed_on until from | date | - | first day, last day it holds
kind | text | - | what kind of change, limit or refusal
note | text | - | remark on record
lasting | yesno | - | whether the change opens a new chapter
description supplier supplier_part_number | text | - | as the parts table says
micron | real | micron | fineness of the part
unit_cost | real | money | price of one
pack_size orders.pack_size | int | units | units in a pack
parts.pack_size parts.on_hand parts.on_order | real | units | pack; in store; ordered and not yet here
on_hand on_order | int | units | in store; ordered and not yet here
lead_time_days | int | days | from order to arrival
parts.lead_time_days | real | days | from order to arrival
rated_life_days warranty_days | real | days | the maker's rated life, warranty
sampled_on | date | - | day of the sample
parameter result laboratory_ref | text | - | as the record of the sample says
passed | yesno | - | whether the sample passed
max_days | real | days | longest visit interval that the limit allows
source | text | - | where the limit comes from
decided_on | date | - | day of the decision
decision reason decisions.by decided_by decided_reason | text | - | what was decided, why, by whom
decided_interval_days | real | days | visit interval decided

fitted_on ended_on | date | - | day the unit went in, came out
gone_on | date | - | day the unit itself came out or out of view, whatever its chapter did; blank = in place
put_in_on | date | - | day the part in place went in, cleaned since or not; blank = nobody knows
put_in_noted_on | date | - | visit that noted put_in_on, where none saw the part go in
cleaned_on | date | - | last cleaning of the part in place
first_seen_on part_seen_on | date | - | first visit that saw the unit, the part in place
ended_how | text | - | failed, found_spent, taken_out, unknown, competing, in_place or left
competing_reason end_condition flags | text | - | what ended the spell, what was found, what to know of it
lower_days upper_days | real | days | life lies above lower, up to upper; upper infinite = not ended
entry_days | real | days | age at which the unit came into view
litres | real | L | water through the unit
looks | int | visits | visits at which the unit was looked at
end_drop_kpa drop_kpa | real | kPa | drop of pressure across the unit, at its end or at the reading
left_out.reason | text | - | why the spell is not used
age_days last_look_age_days survived_days | real | days | age of the unit at as-of or the reading, at the
    last look, known survived
due.age_days | int | days | age of the unit on visit_by
last_look_on | date | - | last time the unit's state was seen
last_condition | text | - | what was found then
spent_seen | yesno | - | seen spent and still in place
removed | yesno | - | taken out and not replaced
read_before_work informs | yesno | - | read before the work of the visit; used by the fit
fault | text | - | why the reading is not used

term against | text | - | feature, and the level it is compared with
time_ratio | real | ratio | life with the feature over life without it
known_reasons.fact | text | - | feature of the component's life model
known_reasons.level | text | - | its level at the unit; blank = a number
known_reasons.value | real | L/day or mg/L | its number at the unit; blank = a level
known_reasons.time_ratio | real | ratio | life with the fact over life at the mean of the fleet's units
known_reasons.low known_reasons.high | real | ratio | 90 % range of the time ratio
spells failures | int | spells | spells, and those that are not right-censored
family problem | text | - | family of lifetimes; why there is no answer
weight | real | share | weight of the family
sigma tau | real | log time | spread of lives within a site; between sites
log_evidence | real | - | log of the family's evidence
median_days low_days high_days p10_days like_days | real | days | median life, its 90 % range, the age one
    in ten does not reach, median of similar sites
starting_intervals.low_days starting_intervals.high_days | int | days | range of the interval
relative_life relative_low relative_high | real | ratio | life compared with similar sites, and its 90 %
    range
worst_tenth_chance | real | share | chance that the site is among the worst tenth
by level method | text | - | feature, its level, how the curve is made
evidence_levels.level | text | - | what the records can carry: see wanted
days | real | days | age
life_curves.days gauge_last.days | reals | days | ages
at_risk events | real | spells | under observation at that age; ended at that age
survival incidence standard_error | real | share | share not ended, share ended by the cause, and its error
life_curves.survival life_curves.like | reals | share | survival here, at similar sites, on each day
cause | text | - | why the unit came out
units | int | units | units counted
expected | real | units | expected number
ratio ratio_low ratio_high | real | ratio | happened over expected, and its 90 % range
finding | text | - | what the comparison shows
from_days to_days | real | days | from this age to that
year | int | - | calendar year
month | int | - | month of the year
stock.month stock_this_month.month | date | - | first day of the month

visit_interval_days visit_interval_days_without near_low_days near_high_days | int | days | time between
    planned visits; without the limit; range of nearly equal cost
decisions.visit_interval_days decisions_paid.visit_interval_days | real | days | visit interval decided
visit_interval_days_current visit_interval_days_closer | real | days | time between visits by today's rule;
    closer than the settings look at
every_n_visits every_n | int | visits | renewed at every n-th planned visit
interval_days earlier_intervals.visit_interval_days | int | days | time between renewals; of visits
current_interval_days interval_before_days | real | days | interval of today's rule; of the analysis before
trips_per_year trips_per_year_current trips_per_year_more | real | visits/year | planned visits; by today's
    rule; more by the limit
callouts_per_year callouts_per_year_current callouts_per_year_more | real | visits/year | call-outs; by
    today's rule; more by the limit
cost_per_year cost_per_year_current cost_per_year_more cost_per_year_closer cost_per_year_like | real |
    money/year | cost; by today's rule; more by the limit; at closer visits; of similar sites
cost_per_year_month_sooner cost_per_year_month_later | real | money/year | cost of visits a month sooner,
    later
saving_seen saving_projected | real | money/year | saving over today's rule that the records show; that the
    plan predicts
limited_by limit_source evidence deadline longest_by | text | - | the limit that binds; its source; what the
    interval rests on; the strictest hard limit
failure_chance failure_chance_low failure_chance_high failure_chance_current | real | share | chance that a
    fresh unit is spent before interval_days, its 90 % range; by today's rule
failure_chance_month_sooner failure_chance_month_later | real | share | the same, renewed a month sooner,
    later
hard_limit_days deadline_days visit_deadline_days | real | days | longest age that limits allow, counted
    from fitting; longest visit interval
alternative would_change unpriced | text | - | the next best, what would change the advice, why there is no
    price
quarter | int | - | quarter of today's interval, from 1
renewed | int | units | units renewed early at planned visits
share | real | share | renewed out of visits
months_seen months_to_wait | real | months | time seen; time until the records carry more
wanted | text | - | which records would settle more
sites addresses addresses_priced sites_served sites_read sites_alike | int | sites | sites counted; of them
    addresses, priced, served, read, alike
visit | int | - | number of the planned visit, from 1
book_from no_later_than | date | - | time in which to book
week | date | - | Monday of the week
stops most_stops over | real | visits | stops of the week, most that the crew can do, stops beyond
moved | text | - | why the visit is moved
fits | yesno | - | whether the week has room
moved_earlier | int | visits | stops moved earlier
rank | int | - | place in the list, most urgent first
urgency | int | - | 1 = now
visit_from visit_by plan_visit_by seen_by | date | - | first and last day of the visit; by the plan; by the
    readings
due.reason orders.reason plan_changes.reason | text | - | why
chance_already_spent | real | share | chance that the unit is spent by visit_by
uv_late | yesno | - | UV part past its hard limit
change_at_kpa limit_kpa | real | kPa | renew from this drop on; limit of the settings
lasts_chance | real | share | chance to last until the visit after
why | text | - | the reason
readings readings_across_all | int | readings | readings counted; those across all housings
stays | yesno | - | whether the unit may stay below that drop
tells_of | text | - | components that a number across all filters is for, with commas
law | text | - | blocking law
law_index law_index_low law_index_high | real | - | index of the law, 0 cake to 2 complete, and its 90 %
    range
clean_kpa clean_low_kpa clean_high_kpa gauge_error_kpa | real | kPa | drop of a fresh cartridge, its 90 %
    range; error of one reading
spread | real | log | spread of clean drops from unit to unit
doubtful_share | real | share | readings that do not fit
last_read_on faulty_on expected_end end_low end_high | date | - | last reading; reading set aside; expected
    end and its 90 % range
share_spent share_low share_high | real | share | age over life, and its 90 % range
across_all doubtful in_place | yesno | - | read across all housings; does not fit; still in place
kpa low_kpa high_kpa | reals | kPa | drops read; 90 % range expected on each day
callouts_fewer callouts_fewer_low callouts_fewer_high | real | visits/year | call-outs saved by reading, and
    range
cartridges_fewer cartridges_fewer_low cartridges_fewer_high | real | units/year | cartridges saved by
    reading, and range
saved_per_year saved_per_year_low saved_per_year_high | real | money/year | money saved by reading, and
    range
law_learned | yesno | - | whether the law comes from these records
expected_current_rule expected_callouts | real | units | expected by today's rule; of them at call-outs
p50 p80 p95 | int | units | enough in half, 80 %, 95 % of cases
order_number | int | - | number of the order, from 1
order_by arrives_by runs_short_on covers_until | date | - | last day to order; arrival; first day short;
    last day covered
quantity packs | int | units | to order, and in packs
order_cost money_in_stock | real | money | cost of the order; money that lies in store
used_per_year | real | units/year | units used
cost_per_month | real | money/month | cost of the part in use
forecast forecast_low forecast_high | real | units | predicted use, and its 90 % range
used used_at_added_sites | int | units | used; at sites that came later

horizon_days | int | days | how far ahead
unknown | int | units | not followed to the end
predicted happened happened_low happened_high observed chance_by_horizon | real | share | share predicted;
    seen, with its 90 % range; chance by the horizon
expected_failures | real | units | ends predicted
expected_low expected_high | int | units | 90 % range of ends predicted
log_score log_score_fleet log_score_cohort | real | - | log score of the model; of one curve for all; of the
    known facts alone
gain_fleet_se gain_cohort_se | real | - | standard error of the gain over these
coverage | real | share | sites whose range held what happened
group | int | - | tenth of predicted risk, from 1
chance | real | share | mean predicted chance
agrees | yesno | - | whether the range holds 1
policy | text | - | the rule or the plan
cost_per_site_year | real | money/site/year | cost on what followed
trips_per_site_year callouts_per_site_year | real | visits/site/year | planned visits; call-outs
renewals_per_site_year | real | units/site/year | units renewed
unseen_days_per_site_year | real | days/site/year | days spent and unseen
opinion | text | - | agrees, differs or no opinion
second_opinion.reason | text | - | why there is no opinion
left_out | int | spells | spells that the library cannot take
median_days_library | real | days | median life by the library
sigma_library | real | log time | spread by the library
log_likelihood log_likelihood_library log_likelihood_difference | real | - | log-likelihood by this tool; by
    the library; their difference
median_difference sigma_difference | real | share | difference between the two, as a share
assumption | text | - | what is assumed otherwise
shift_days shift_low_days shift_high_days | real | days | change of intervals, and its range
life_ratio | real | ratio | change of lives
spells_changed | int | spells | spells read otherwise
load_id | int | - | the load
loaded_on | date | - | day of loading
sheet table_name record_key before after | text | - | sheet, table, key and values of the record
rows_read accepted repeated refused values_set_aside changed records | int | rows | rows counted
ignored_columns content_hash record column value | text | - | as found in the file
refused.reason | text | - | why it was set aside
check severity message what_to_do | text | - | the check, how bad, what was found, what to do
rows | int | rows | rows that the check found
fleet_counts.* | int | units | units of the component renewed in the year
lamps_past_rating | int | units | lamps older than their rating at the end of the year
measure | text | - | what the row counts
plan plan_low plan_high current current_low current_high | real | per measure | by the plan and by today's
    rule, with 90 % ranges
spells_more failures_more | int | spells | more than at the analysis before
days_before days_after | int | days | days before and after the decision
callouts_before callouts_after visits_before visits_after | int | visits | visits before and after the
    decision
cost_per_year_before cost_per_year_after | real | money/year | cost before and after the decision
callout_ratio | real | ratio | call-outs after over before
days_between_after | real | days | time between visits after the decision
verdict | text | - | what the comparison shows
worth_per_year worth_low worth_high | real | money/year | worth of a fix that brings the site to the level
    of similar sites, and its range

what_if_kinds.kind what_if_units.kind what_if_rates.kind | int | - | number of the kind of site
what_if_kinds.level levels first_week | int | - | level of call-outs; how many levels; first week priced
callouts_low callouts_high | real | visits/year | range of call-outs of the kind
trip_share | real | share | share of a trip that the site pays
shortest_days longest_days most_days beyond_days late_days today_days customary_days | real | days |
    shortest and longest to look at, limits and rules of the unit
chance_limit | real | share | tolerated chance
announced of_uv_unit held | yesno | - | the household notices; part of a UV unit; held at its limit
chances | reals | share | chance spent by age
what_if_rates.callouts | reals | visits/year | call-outs by visit interval
other_cost | reals | money/year | other costs by visit interval
* | as recorded | - | carried through from the records
"""
