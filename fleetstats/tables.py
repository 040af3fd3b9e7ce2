"""Each result table once: its columns, with type, unit and meaning, and what the report reads of it."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

import polars as pl

from fleetstats.columns import COLUMNS
from fleetstats.errors import StoreError

#: An entry: table | meaning | columns. A minus after a column: kept, but no page reads it (so that what is
#: personal cannot slip into one); after a table: no page reads it at all. A star: further columns may come,
#: those that records carry; two stars: one a component, which pages read too.
_TABLES = """
analysis- | the day of the last analysis | as_of
at_stop | what to do at the next stop by what the gauge or the eye shows, until the next analysis |
    site_id component slot change_at_kpa lasts_chance why readings stays tells_of
blocked_total | what months without visits cost the fleet in a year | sites addresses addresses_priced
    trips_per_year_more callouts_per_year_more cost_per_year_more low high
calendar | the planned visits of the coming weeks | site_id visit crew book_from no_later_than week stops
    moved fits
calibration- | chances predicted at past days against what followed, by tenth of risk | origin component
    horizon_days group units chance expected expected_low expected_high failures ratio ratio_low
    ratio_high agrees
calibration_tenths | the same for each component over all past days | component predicted happened
    happened_low happened_high units expected failures
changes | changes at sites on record | site_id region- changed_on until- kind note- lasting- *
corrections- | records that a later load corrected | load_id table_name record_key before after
curves | survival of each component, by its features | component by level method- days at_risk events
    survival low high spells- failures-
decisions- | decisions on file that count | site_id decided_on visit_interval_days decision reason by *
decisions_paid | what decided visits changed | site_id decided_on decision visit_interval_days days_before
    callouts_before visits_before cost_per_year_before days_after callouts_after visits_after
    cost_per_year_after callout_ratio ratio_low ratio_high days_between_after verdict
due | what to do at the coming visits, most urgent first | rank site_id visit_from visit_by component slot
    action part_number reason chance_already_spent urgency uv_late age_days moved-
earlier_intervals | intervals of analyses before | site_id component- slot- visit_interval_days-
    interval_days- limited_by- spells- failures- as_of settings-
early_deaths | ends at young age against those predicted | component from_days to_days spells failures
    expected ratio ratio_low ratio_high finding
effects | what features do to lives | component term time_ratio low high spells failures against
evidence_levels | what the records can carry, by component | component level spells- failures-
    months_seen- months_to_wait wanted
families | families of lifetimes and their weights | component family weight sigma tau log_evidence spells
    failures problem-
fixes | sites where a fix would pay | site_id callouts_per_year cost_per_year cost_per_year_like
    worth_per_year worth_low worth_high
fleet_counts | the fleet by calendar year, with units renewed by component | year sites visits callouts
    lamps_past_rating **
gauge_last | the last readings of each housing, with what to expect | site_id component slot last_read_on
    drop_kpa across_all share_spent share_low share_high expected_end end_low end_high doubtful readings
    faulty_on fitted_on days kpa low_kpa high_kpa in_place
gauge_laws | how each component blocks | component law law_index law_index_low law_index_high clean_kpa
    clean_low_kpa clean_high_kpa limit_kpa- spread gauge_error_kpa doubtful_share readings
    readings_across_all
gauge_now- | what the gauges say of units in place | site_id component slot last_read_on drop_kpa
    across_all share_spent share_low share_high expected_end end_low end_high doubtful readings faulty_on
gauge_visits | visits that readings bring forward | site_id plan_visit_by seen_by component slot why
    readings
in_place | units in place at as-of | site_id chapter- component slot part_number fitted_on renewed_by-
    put_in_on put_in_noted_on cleaned_on part_seen_on
    age_days last_look_on last_look_age_days- survived_days- spent_seen- removed last_condition served
    spell_id- *
intervals | the best renewal by age, for every unit ever seen at a site | site_id component slot spells
    failures visit_interval_days every_n_visits interval_days current_interval_days limited_by
    failure_chance failure_chance_low failure_chance_high failure_chance_current
    failure_chance_month_sooner- failure_chance_month_later- cost_per_year cost_per_year_current
    hard_limit_days deadline_days deadline visit_deadline_days- evidence limit_source
known_reasons | facts that move the life of a unit against the fleet's mean | site_id component slot fact
    level value time_ratio low high
left_out | spells not used, and why | spell_id- site_id chapter- component slot part_number- fitted_on
    first_seen_on ended_on gone_on renewed_by- ended_how reason first_visit_id- last_visit_id- *
life_curves | survival of the next unit, by site | site_id component slot days survival low high like
limit_costs | what limits and decisions cost | site_id kind max_days source decided_on visit_interval_days
    visit_interval_days_without trips_per_year_more callouts_per_year_more cost_per_year_more low high
    unpriced decided_by
lives_by_month | ends by month of fitting against those predicted | component month spells failures
    expected ratio ratio_low ratio_high finding
lives_by_year | ends by year of fitting against those predicted | component year spells failures expected
    ratio ratio_low ratio_high finding
loads | what each load read | load_id loaded_on file sheet- table_name content_hash- rows_read accepted
    repeated refused values_set_aside changed ignored_columns- notes-
orders | what to order and when | part_number component order_number- order_by arrives_by- quantity packs-
    order_cost runs_short_on covers_until- on_hand on_order lead_time_days pack_size money_in_stock reason
part_costs | what each part costs and how often it is used | part_number component units sites
    used_per_year callouts_per_year cost_per_month low high
parts | the parts on record | part_number component description supplier supplier_part_number micron-
    unit_cost- pack_size- lead_time_days- rated_life_days- warranty_days- on_hand- on_order- *
plan_changes | intervals that changed since the analysis before | site_id component slot
    interval_before_days interval_days spells_more failures_more reason limited_by since
plans | the best visit interval of each site, against today's rule | site_id visit_interval_days
    trips_per_year callouts_per_year cost_per_year low high visit_interval_days_current
    trips_per_year_current callouts_per_year_current cost_per_year_current low_current high_current
    saving_seen saving_projected cost_per_year_month_sooner- cost_per_year_month_later-
    visit_interval_days_closer cost_per_year_closer decision- decided_on- decided_interval_days-
    decided_reason-
policy_costs | what the rule and the plan of a past day would have cost on what followed | origin
    horizon_days policy sites cost_per_site_year low high trips_per_site_year callouts_per_site_year
    renewals_per_site_year unseen_days_per_site_year
reading_worth | what reading pressures at every visit would be worth | component sites_served sites_read
    sites sites_alike callouts_fewer callouts_fewer_low callouts_fewer_high cartridges_fewer
    cartridges_fewer_low cartridges_fewer_high saved_per_year saved_per_year_low saved_per_year_high
    spells failures law_learned spread gauge_error_kpa
readings | readings of pressure drop, by unit | site_id chapter- component slot visit_id- visit_date
    age_days- drop_kpa flow_lpm- spell_id- read_before_work fault- informs- *
records_held | records in the store | table_name records
refused | rows and values set aside | load_id- table_name- file sheet line column value reason kind
    content_hash- record-
removals | shares taken out, by cause and age | component cause days incidence standard_error- low high
    units
replay | failures predicted at past days against those that followed | origin component horizon_days units
    unknown- failures expected_failures expected_low expected_high observed- predicted- chance_by_horizon-
    log_score log_score_fleet log_score_cohort gain_fleet_se gain_cohort_se coverage
samples | water samples on record | site_id sampled_on parameter result passed laboratory_ref *
second_opinion | the fleet's life by this tool's fit and by an independent library's | component family spells
    failures left_out median_days median_days_library median_difference sigma- sigma_library-
    sigma_difference log_likelihood- log_likelihood_library- log_likelihood_difference- opinion reason
sensitivity | how the intervals change when records are read otherwise | component assumption shift_days
    shift_low_days shift_high_days sites life_ratio- spells_changed- problem-
settings_used- | the settings of the analysis | toml
site_life | the life of the next unit at each site | site_id component slot median_days low_days high_days
    p10_days spells failures relative_life relative_low relative_high worst_tenth_chance like_days
site_limits- | limits on file | site_id region kind max_days from until source *
sites | the sites | site_id site_name tank_material tank_installed tank_litres roof_area_m2-
    inlet_screen_um- occupants roof_material tree_cover first_flush potable- occupancy left_on region crew
    address_id chapters- first_visit_on last_visit_on visits callouts usual_gap_days- served lost_to_view
    daily_litres daily_litres_source hardness_mg_l tank_age_years- failed_sample_open failed_sample_on
    failed_sample_of open_alarm open_alarm_on *
spells | what is known of each fitting | spell_id- site_id chapter component slot part_number fitted_on
    ended_on gone_on renewed_by- ended_how competing_reason- lower_days upper_days entry_days litres-
    daily_litres- looks- first_visit_id- last_visit_id- end_condition- end_drop_kpa- flags- *
starting_intervals | intervals for a new site | component tank_material roof_material tree_cover
    daily_litres interval_days low_days high_days sites spells
stock | parts needed by month | part_number component month expected p50 p80 p95 expected_current_rule
    expected_callouts- units- sites
stock_past | last year's forecast of parts against use | part_number component forecast forecast_low
    forecast_high used used_at_added_sites sites
stock_this_month- | parts needed in the rest of the month of as-of | part_number component month expected
    p50 p80 p95 expected_current_rule expected_callouts units sites
todays_practice | how planned visits renew parts early | component quarter visits renewed share
todays_rule- | today's rule | item days origin
totals | the fleet in a year | measure plan plan_low plan_high current current_low current_high
unsafe_water | known reasons not to drink a home's water untreated | site_id why component slot since what
    days
visits | the visits | visit_id site_id visit_date visit_reason callout_cause reported_on-
    inlet_pressure_kpa- outlet_pressure_kpa- pressure_read- flow_lpm- meter_m3- hardness_mg_l-
    turbidity_ntu- uvt_percent- lamp_days_left- uv_intensity_percent- technician- notes- source_ref-
    visit_order- file- line- *
warnings | what checks found in the records | check severity site_id visit_id rows message what_to_do
weekly_load | stops by week and crew | crew week stops most_stops over moved_earlier
what_if_kinds | kinds of site behind the page that tries other costs | kind sites level levels
    callouts_low callouts_high trip_share first_week shortest_days longest_days most_days
    visit_interval_days near_low_days near_high_days cost_per_year callouts_per_year trips_per_year
what_if_rates | their rates by visit interval | kind component slot every_n callouts other_cost
what_if_units | their units | kind component slot announced- of_uv_unit held longest_days longest_by
    beyond_days chance_limit late_days today_days customary_days chances every_n_visits interval_days
why | reasons behind each interval | site_id component slot evidence alternative would_change
work | the work done at visits | visit_id site_id- visit_date- component slot action condition part_number
    fitted_on- pressure_drop_kpa- visit_order- file- line- *
"""
_TYPES: Mapping[str, pl.DataType] = {
    "text": pl.String(), "int": pl.Int64(), "real": pl.Float64(), "date": pl.Date(), "yesno": pl.Boolean(),
    "reals": pl.List(pl.Float64()),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, kind (a key of `_TYPES`), unit ("-" = none), meaning; whether pages read it."""

    name: str
    kind: str
    unit: str
    meaning: str
    shown: bool = True

    def read_from(self, frame: pl.DataFrame) -> pl.Expr:
        """Return the column of a frame in its type; blank where the frame lacks it."""
        if self.name not in frame.columns:
            return pl.lit(None, _TYPES[self.kind]).alias(self.name)
        if frame.schema[self.name] == pl.Boolean and self.kind == "text":
            yes = pl.col(self.name)
            return pl.when(yes).then(pl.lit("yes")).when(~yes).then(pl.lit("no")).alias(self.name)
        return pl.col(self.name).cast(_TYPES[self.kind])


@dataclass(frozen=True, slots=True)
class Table:
    """One result table: what it holds, its columns, whether it may carry more, whether pages read those."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    more: bool
    more_shown: bool

    @property
    def shown(self) -> tuple[Column, ...]:
        """The columns that pages read."""
        return tuple(column for column in self.columns if column.shown)

    def of(self, rows: Iterable[Mapping[str, Any] | tuple[Any, ...]] = ()) -> pl.DataFrame:
        """Return rows in the declared columns and types; what a row lacks is blank, what is beyond goes."""
        schema = {each.name: _TYPES[each.kind] for each in self.columns}
        return pl.DataFrame(list(rows), schema=schema, orient="row")

    def for_pages(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return what pages read of a frame, types as declared; columns that it lacks are blank."""
        if not frame.height:
            return self.of().select(column.name for column in self.shown)
        found = self._select(frame, self.shown, self._beyond(frame) if self.more_shown else [])
        return found.with_columns(pl.col("slot").fill_null("")) if "slot" in found.columns else found

    def to_keep(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Return a producer's frame in the declared order and types; one without columns is an empty table.

        Raises
        ------
        StoreError
            If a declared column is missing, one is there that is not declared, or a value has another type.
        """
        if not frame.width:
            return self.of()
        beyond = self._beyond(frame)
        faults = [f"'{each.name}' is missing" for each in self.columns if each.name not in frame.columns]
        faults += [] if self.more else [f"'{name}' is not declared" for name in beyond]
        if faults:
            raise StoreError(
                f"result table '{self.name}': column {faults[0]}; mend tables.py or what makes it"
            )
        return self._select(frame, self.columns, beyond)

    def _beyond(self, frame: pl.DataFrame) -> list[str]:
        declared = {column.name for column in self.columns}
        return [name for name in frame.columns if name not in declared]

    def _select(self, frame: pl.DataFrame, columns: Iterable[Column], beyond: list[str]) -> pl.DataFrame:
        try:
            return frame.select(*(column.read_from(frame) for column in columns), *beyond)
        except pl.exceptions.PolarsError as exc:
            raise StoreError(
                f"result table '{self.name}': a column is not of its declared type ({exc}); analyse again"
            ) from exc


def declared(name: str) -> Table:
    """Return the table of this name, or StoreError where none is declared."""
    if name not in TABLES:
        raise StoreError(f"result table '{name}': is not declared; declare it in tables.py")
    return TABLES[name]


def column(table: str, name: str, *, shown: bool = True) -> Column:
    """Return a column as the vocabulary has it; `*` there stands for one that is not declared."""
    known = _vocabulary()
    facts = (known[key] for key in (f"{table}.{name}", name, f"{table}.*", "*") if key in known)
    return Column(name, *next(facts), shown)


def described(table: str, names: Iterable[str]) -> str:
    """Return a table's meaning and, a line each, these columns of it with unit (or kind) and meaning."""
    columns = [column(table, name) for name in names]
    lines = [
        f"  {each.name} ({each.kind if each.unit == '-' else each.unit}): {each.meaning}" for each in columns
    ]
    return "\n".join([f"{table}: {TABLES[table].meaning}", *lines])


def reference() -> str:
    """Return every table with its meaning and its columns with units and meanings, as text."""
    return "\n\n".join(
        described(name, (each.name for each in table.columns)) for name, table in TABLES.items()
    )


@cache
def _vocabulary() -> Mapping[str, tuple[str, str, str]]:
    lines = [entry.split(" | ") for entry in _entries(COLUMNS)]
    return {name: (kind, unit, meaning) for names, kind, unit, meaning in lines for name in names.split()}


def _entries(text: str) -> list[str]:
    return [entry for entry in text.replace("\n    ", " ").split("\n") if entry]


def _declared() -> Iterator[Table]:
    for entry in _entries(_TABLES):
        head, meaning, columns = entry.split(" | ")
        name = head.rstrip("-")
        names = [word for word in columns.split() if "*" not in word]
        shown = {word for word in names if not (head + word).count("-")}
        yield Table(
            name,
            meaning,
            tuple(column(name, word.rstrip("-"), shown=word in shown) for word in names),
            more="*" in columns,
            more_shown="**" in columns,
        )


TABLES: Mapping[str, Table] = MappingProxyType({table.name: table for table in _declared()})
