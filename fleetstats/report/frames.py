"""What each result frame holds: its columns, their types, and which of them a page cannot do without."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import polars as pl

from fleetstats.errors import ReportError

TEXT, REAL, COUNT, DAY, FLAG = pl.String, pl.Float64, pl.Int64, pl.Date, pl.Boolean
REALS = pl.List(pl.Float64)
Columns = Mapping[str, "pl.DataType | type[pl.DataType]"]

#: A column with a star must be there when the frame has rows; the others are blank where they are missing.
_UNIT = {"site_id*": TEXT, "component*": TEXT, "slot": TEXT}
_MONEY = {
    "visit_interval_days": REAL,
    "trips_per_year": REAL,
    "callouts_per_year": REAL,
    "cost_per_year": REAL,
    "low": REAL,
    "high": REAL,
}
_RATIO = {
    "spells": COUNT, "failures": COUNT, "expected": REAL, "ratio": REAL, "ratio_low": REAL,
    "ratio_high": REAL, "finding": TEXT,
}  # fmt: skip
_STARRED: Mapping[str, Columns] = {
    "sites": {
        "site_id*": TEXT, "site_name": TEXT, "tank_material": TEXT, "tank_installed": DAY,
        "tank_litres": REAL, "roof_material": TEXT, "tree_cover": TEXT, "first_flush": TEXT,
        "occupants": REAL, "occupancy": TEXT, "left_on": DAY, "region": TEXT, "crew": TEXT,
        "address_id": TEXT, "first_visit_on": DAY, "last_visit_on": DAY, "visits": COUNT, "callouts": COUNT,
        "served": FLAG, "lost_to_view": FLAG, "daily_litres": REAL, "daily_litres_source": TEXT,
        "hardness_mg_l": REAL, "failed_sample_open": FLAG, "open_alarm": FLAG,
    },
    # personal columns of a visit (technician, notes, source) are not named here: they never get in
    "visits": {
        "visit_id*": TEXT, "site_id*": TEXT, "visit_date*": DAY, "visit_reason": TEXT, "callout_cause": TEXT,
    },
    "work": {
        "visit_id*": TEXT, "component*": TEXT, "slot": TEXT, "action": TEXT, "condition": TEXT,
        "part_number": TEXT,
    },
    "in_place": {
        **_UNIT, "part_number": TEXT, "fitted_on": DAY, "age_days": REAL, "served": FLAG, "removed": FLAG,
        "last_condition": TEXT, "last_look_on": DAY,
    },
    "spells": {
        **_UNIT, "chapter": COUNT, "part_number": TEXT, "fitted_on": DAY, "ended_on": DAY, "ended_how": TEXT,
        "lower_days": REAL, "upper_days": REAL, "entry_days": REAL,
    },
    "left_out": {
        **_UNIT, "fitted_on": DAY, "ended_on": DAY, "reason*": TEXT,
    },
    "readings": {
        "site_id*": TEXT, "component": TEXT, "slot": TEXT, "visit_date*": DAY, "drop_kpa*": REAL,
        "read_before_work": FLAG,
    },
    "effects": {
        "component*": TEXT, "term*": TEXT, "time_ratio*": REAL, "low*": REAL, "high*": REAL,
        "spells": COUNT, "failures": COUNT, "against": TEXT,
    },
    "families": {
        "component*": TEXT, "family*": TEXT, "weight": REAL, "sigma": REAL, "tau": REAL,
        "log_evidence": REAL, "spells": COUNT, "failures": COUNT,
    },
    "site_life": {
        **_UNIT, "median_days*": REAL, "low_days": REAL, "high_days": REAL, "p10_days": REAL,
        "spells": COUNT, "failures": COUNT, "relative_life": REAL, "relative_low": REAL,
        "relative_high": REAL, "like_days": REAL, "worst_tenth_chance": REAL,
    },
    "plans": {
        "site_id*": TEXT, **_MONEY, **{f"{name}_current": kind for name, kind in _MONEY.items()},
        "saving_seen": REAL, "saving_projected": REAL, "visit_interval_days_closer": REAL,
        "cost_per_year_closer": REAL,
    },
    "intervals": {
        **_UNIT, "visit_interval_days": REAL, "every_n_visits": COUNT, "interval_days*": REAL,
        "current_interval_days": REAL, "limited_by": TEXT, "failure_chance": REAL,
        "failure_chance_low": REAL, "failure_chance_high": REAL, "failure_chance_current": REAL,
        "cost_per_year": REAL, "cost_per_year_current": REAL, "spells": COUNT, "failures": COUNT,
        "evidence": TEXT, "limit_source": TEXT, "hard_limit_days": REAL, "deadline": TEXT,
        "deadline_days": REAL,
    },
    "why": {
        **_UNIT, "evidence": TEXT, "alternative": TEXT, "would_change": TEXT,
    },
    "todays_practice": {
        "component*": TEXT, "quarter*": COUNT, "visits*": COUNT, "renewed*": COUNT, "share": REAL,
    },
    "limit_costs": {
        "site_id*": TEXT, "kind*": TEXT, "max_days": REAL, "source": TEXT, "decided_on": DAY,
        "visit_interval_days": REAL, "visit_interval_days_without": REAL, "trips_per_year_more": REAL,
        "callouts_per_year_more": REAL, "cost_per_year_more*": REAL, "low*": REAL, "high*": REAL,
        "unpriced": TEXT, "decided_by": TEXT,
    },
    "blocked_total": {
        "sites*": COUNT, "addresses*": COUNT, "addresses_priced*": COUNT, "trips_per_year_more": REAL,
        "callouts_per_year_more": REAL, "cost_per_year_more": REAL, "low": REAL, "high": REAL,
    },
    "calendar": {
        "site_id*": TEXT, "visit*": COUNT, "crew": TEXT, "book_from": DAY, "no_later_than": DAY,
        "week*": DAY, "stops": REAL, "moved": TEXT, "fits": FLAG,
    },
    "weekly_load": {
        "crew": TEXT, "week*": DAY, "stops*": REAL, "most_stops": REAL, "over": REAL, "moved_earlier": COUNT,
    },
    "due": {
        **_UNIT, "visit_from": DAY, "visit_by*": DAY, "action": TEXT, "part_number": TEXT, "reason": TEXT,
        "chance_already_spent": REAL, "change_at_kpa": REAL, "rank": COUNT, "urgency": COUNT,
        "uv_late": FLAG, "age_days": REAL,
    },
    "gauge_laws": {
        "component*": TEXT, "law": TEXT, "law_index*": REAL, "law_index_low": REAL, "law_index_high": REAL,
        "clean_kpa*": REAL, "clean_low_kpa": REAL, "clean_high_kpa": REAL, "spread": REAL,
        "gauge_error_kpa*": REAL, "doubtful_share": REAL, "readings": COUNT, "readings_across_all": COUNT,
    },
    "gauge_last": {
        **_UNIT, "last_read_on*": DAY, "drop_kpa": REAL, "across_all": FLAG, "share_spent*": REAL,
        "share_low": REAL, "share_high": REAL, "expected_end": DAY, "end_low": DAY, "end_high": DAY,
        "doubtful": FLAG, "readings": COUNT, "fitted_on": DAY, "in_place": FLAG, "days": REALS, "kpa": REALS,
        "low_kpa": REALS, "high_kpa": REALS, "faulty_on": DAY,
    },
    "at_stop": {
        "site_id*": TEXT, "component": TEXT, "slot": TEXT, "change_at_kpa": REAL, "lasts_chance": REAL,
        "why*": TEXT, "readings": COUNT, "stays": FLAG,
    },
    "gauge_visits": {
        **_UNIT, "plan_visit_by": DAY, "seen_by*": DAY, "why": TEXT, "readings": COUNT,
    },
    "reading_worth": {
        "component": TEXT, "sites_served": COUNT, "sites_read": COUNT, "sites*": COUNT, "sites_alike": COUNT,
        "callouts_fewer": REAL, "callouts_fewer_low": REAL, "callouts_fewer_high": REAL,
        "cartridges_fewer": REAL, "cartridges_fewer_low": REAL, "cartridges_fewer_high": REAL,
        "saved_per_year*": REAL, "saved_per_year_low": REAL, "saved_per_year_high": REAL,
        "spells": COUNT, "failures": COUNT, "law_learned": FLAG, "spread": REAL, "gauge_error_kpa": REAL,
    },
    "stock": {
        "part_number": TEXT, "component": TEXT, "month*": DAY, "expected*": REAL, "p50": REAL, "p80": REAL,
        "p95": REAL, "expected_current_rule": REAL, "sites": COUNT,
    },
    "orders": {
        "part_number": TEXT, "component": TEXT, "order_by*": DAY, "quantity*": REAL, "on_hand": REAL,
        "on_order": REAL, "lead_time_days": REAL, "pack_size": REAL, "runs_short_on": DAY,
        "order_cost": REAL, "money_in_stock": REAL, "reason": TEXT,
    },
    "parts": {
        "part_number*": TEXT, "component": TEXT, "description": TEXT, "supplier": TEXT,
        "supplier_part_number": TEXT,
    },
    "starting_intervals": {
        "component*": TEXT, "tank_material": TEXT, "roof_material": TEXT, "tree_cover": TEXT,
        "daily_litres": REAL, "interval_days*": REAL, "low_days": REAL, "high_days": REAL,
        "sites": COUNT, "spells": COUNT,
    },
    "curves": {
        "component*": TEXT, "by*": TEXT, "level": TEXT, "days*": REAL, "at_risk": REAL, "events": REAL,
        "survival*": REAL, "low": REAL, "high": REAL,
    },
    "life_curves": {
        **_UNIT, "days*": REALS, "survival*": REALS, "low": REALS, "high": REALS, "like": REALS,
    },
    "replay": {
        "as_of": DAY, "horizon_days": REAL, "component": TEXT, "sites": COUNT, "spells": COUNT,
        "failures": COUNT,
        "predicted": REAL, "predicted_low": REAL, "predicted_high": REAL, "happened": REAL,
        "coverage": REAL, "log_score": REAL, "log_score_one_curve": REAL, "log_score_cohorts": REAL,
        "gain_fleet_se": REAL, "gain_cohort_se": REAL, "cost_rule": REAL, "cost_plan": REAL,
        **{f"cost_{name}_{end}": REAL for name in ("rule", "plan") for end in ("low", "high")},
        "callouts_rule": REAL, "callouts_plan": REAL,
    },
    "calibration": {
        "component": TEXT, "predicted*": REAL, "happened*": REAL, "happened_low": REAL,
        "happened_high": REAL, "spells": COUNT, "expected": REAL, "failures": COUNT,
    },
    "second_opinion": {
        "component*": TEXT, "family*": TEXT, "spells": COUNT, "failures": COUNT, "left_out": COUNT,
        "median_days": REAL, "median_days_library": REAL, "median_difference": REAL, "sigma_difference": REAL,
        "opinion*": TEXT, "reason": TEXT,
    },
    "sensitivity": {
        "component": TEXT, "assumption*": TEXT, "shift_days*": REAL, "shift_low_days": REAL,
        "shift_high_days": REAL, "sites": COUNT,
    },
    "refused": {
        "file": TEXT, "sheet": TEXT, "line": COUNT, "column": TEXT, "value": TEXT, "reason*": TEXT,
        "kind": TEXT,
    },
    "warnings": {
        "check": TEXT, "severity": TEXT, "site_id": TEXT, "visit_id": TEXT, "rows": COUNT, "message*": TEXT,
        "what_to_do": TEXT,
    },
    "loads": {
        "load_id": TEXT, "loaded_on": DAY, "file*": TEXT, "table_name": TEXT, "rows_read": COUNT,
        "accepted": COUNT, "repeated": COUNT, "refused": COUNT, "values_set_aside": COUNT, "changed": COUNT,
    },
    "records_held": {"table_name*": TEXT, "records*": COUNT},
    "fleet_counts": {"year*": COUNT, "sites": COUNT, "visits": COUNT, "callouts": COUNT,
                     "lamps_past_rating": COUNT},
    "totals": {
        "measure*": TEXT, "plan": REAL, "plan_low": REAL, "plan_high": REAL, "current": REAL,
        "current_low": REAL, "current_high": REAL,
    },
    "samples": {
        "site_id*": TEXT, "sampled_on*": DAY, "parameter": TEXT, "result": TEXT, "passed": FLAG,
        "laboratory_ref": TEXT,
    },
    "plan_changes": {
        "site_id*": TEXT, "component": TEXT, "slot": TEXT, "interval_before_days*": REAL,
        "interval_days*": REAL, "spells_more": COUNT, "failures_more": COUNT, "reason*": TEXT,
        "limited_by": TEXT, "since*": DAY,
    },
    "earlier_intervals": {"site_id*": TEXT, "as_of*": DAY},
    "evidence_levels": {"component*": TEXT, "level*": TEXT, "months_to_wait": REAL, "wanted": TEXT},
    "decisions_paid": {
        "site_id*": TEXT, "decided_on*": DAY, "decision*": TEXT, "visit_interval_days": REAL,
        "days_before": COUNT, "callouts_before": COUNT, "visits_before": COUNT, "cost_per_year_before": REAL,
        "days_after": COUNT, "callouts_after": COUNT, "visits_after": COUNT, "cost_per_year_after": REAL,
        "callout_ratio": REAL, "ratio_low": REAL, "ratio_high": REAL, "days_between_after": REAL,
        "verdict*": TEXT,
    },
    "fixes": {
        "site_id*": TEXT, "callouts_per_year": REAL, "cost_per_year": REAL, "cost_per_year_like": REAL,
        "worth_per_year": REAL, "worth_low": REAL, "worth_high": REAL,
    },
    "what_if_kinds": {
        "kind*": COUNT, "sites*": COUNT, "level": COUNT, "levels": COUNT, "callouts_low": REAL,
        "callouts_high": REAL, "trip_share*": REAL, "first_week*": COUNT, "shortest_days*": REAL,
        "longest_days*": REAL, "most_days*": REAL, "visit_interval_days*": REAL, "near_low_days": REAL,
        "near_high_days": REAL, "cost_per_year": REAL, "callouts_per_year": REAL, "trips_per_year": REAL,
    },
    "what_if_units": {
        "kind*": COUNT, "component*": TEXT, "slot": TEXT, "of_uv_unit*": FLAG, "held*": FLAG,
        "longest_days*": REAL, "longest_by": TEXT, "beyond_days*": REAL, "chance_limit*": REAL,
        "late_days*": REAL, "today_days*": REAL, "customary_days*": REAL, "chances*": REALS,
        "every_n_visits": COUNT, "interval_days": REAL,
    },
    "what_if_rates": {
        "kind*": COUNT, "component*": TEXT, "slot": TEXT, "every_n*": COUNT, "callouts*": REALS,
        "other_cost*": REALS,
    },
    "changes": {"site_id*": TEXT, "changed_on*": DAY, "kind": TEXT},
    "removals": {
        "component*": TEXT, "cause*": TEXT, "days*": REAL, "incidence*": REAL, "low": REAL, "high": REAL,
        "units": COUNT,
    },
    "early_deaths": {"component*": TEXT, "from_days*": REAL, "to_days": REAL, **_RATIO},
    "lives_by_year": {"component*": TEXT, "year*": COUNT, **_RATIO},
    "lives_by_month": {"component*": TEXT, "month*": COUNT, **_RATIO},
    "part_costs": {
        "part_number*": TEXT, "component*": TEXT, "units": COUNT, "sites": COUNT, "used_per_year": REAL,
        "callouts_per_year": REAL, "cost_per_month": REAL, "low": REAL, "high": REAL,
    },
    "stock_past": {
        "part_number": TEXT, "component": TEXT, "forecast*": REAL, "forecast_low": REAL,
        "forecast_high": REAL, "used*": REAL, "used_at_added_sites": REAL, "sites": COUNT,
    },
}  # fmt: skip
#: Frames that keep columns beyond those named here (one count a component).
_OPEN = frozenset({"fleet_counts"})

FRAMES: Mapping[str, Columns] = MappingProxyType(
    {
        name: MappingProxyType({column.rstrip("*"): kind for column, kind in columns.items()})
        for name, columns in _STARRED.items()
    }
)


def empty(name: str) -> pl.DataFrame:
    """Return the frame `name` without rows, every column in place."""
    return pl.DataFrame(schema=dict(FRAMES[name]))


def fitted(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    """Return `frame` with exactly the columns and types that the pages read.

    Columns that pages do not read are dropped, so that what is personal cannot slip into a page; optional
    ones that are missing become blank. `life_curves` may come long (one row a day) or with lists.

    Raises
    ------
    ReportError
        If a needed column is missing, or a column cannot be read as its type.
    """
    if frame.height == 0:
        return empty(name)
    missing = [c[:-1] for c in _STARRED[name] if c.endswith("*") and c[:-1] not in frame.columns]
    if missing:
        raise ReportError(
            f"results table '{name}': column '{missing[0]}' is missing; found {', '.join(frame.columns)}; "
            f"needed are {', '.join(c[:-1] for c in _STARRED[name] if c.endswith('*'))}; "
            "run the analysis again"
        )
    if name == "life_curves" and not isinstance(frame.schema["days"], pl.List):
        frame = _gathered(frame)
    wanted = {
        column: _read(name, frame, column, kind) if column in frame.columns else pl.lit(None, dtype=kind)
        for column, kind in FRAMES[name].items()
    }
    extra = [column for column in frame.columns if name in _OPEN and column not in wanted]
    try:
        return frame.select(*(expr.alias(column) for column, expr in wanted.items()), *extra)
    except pl.exceptions.PolarsError as exc:
        raise ReportError(
            f"results table '{name}': a column holds what cannot be read ({exc}); run the analysis again"
        ) from exc


def _read(name: str, frame: pl.DataFrame, column: str, kind: pl.DataType | type[pl.DataType]) -> pl.Expr:
    held = frame.schema[column]
    expr = pl.col(column)
    if column == "slot":
        return expr.cast(TEXT).fill_null("")
    if held == kind:
        return expr
    if held == pl.Boolean and kind == pl.String:
        return pl.when(expr).then(pl.lit("yes")).when(~expr).then(pl.lit("no"))
    return expr.cast(kind)


def _gathered(frame: pl.DataFrame) -> pl.DataFrame:
    keys = [column for column in ("site_id", "component", "slot") if column in frame.columns]
    values = [c for c in ("days", "survival", "low", "high", "like") if c in frame.columns]
    return frame.sort([*keys, "days"]).group_by(keys, maintain_order=True).agg(values)
