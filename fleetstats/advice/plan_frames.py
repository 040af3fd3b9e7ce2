"""The plans as frames: one row a site, one row a component in a slot."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetstats.advice.evidence import FAILURES_OF_ITS_OWN, PER_SITE
from fleetstats.advice.limits import Limits
from fleetstats.quantities import DAYS_PER_YEAR, BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class PlannedSites:
    """Figures of each site, arrays (sites,); `cost` holds mean, low, high of money a year, (sites, 3).

    `cost_sooner` and `cost_later` hold the cost with visits a month sooner and later; not finite where that
    may not be. `visit_days_closer` and `cost_closer` are those of the cheapest visits closer together than
    the shortest that the settings look at, nan where these would not cost clearly less. `cost_draws` holds
    the plan's cost a year in each draw of what is unknown, (sites, D).
    `together` holds, for each batch of sites and draw, their summed cost, today's, call-outs and today's,
    (batches, 4, D): draws share what is unknown of the whole fleet, so sums must be taken within a draw.
    """

    visit_days: FloatArray
    visit_days_current: FloatArray
    callouts: FloatArray
    callouts_current: FloatArray
    cost: FloatArray
    cost_current: FloatArray
    saving_seen: FloatArray
    saving_projected: FloatArray
    cost_draws: FloatArray
    cost_sooner: FloatArray
    cost_later: FloatArray
    visit_days_closer: FloatArray
    cost_closer: FloatArray
    together: FloatArray


@dataclass(frozen=True, slots=True)
class PlannedUnits:
    """Figures of each unit, arrays (units,); `failure_chance` is mean, low, high (units, 3); nan = none.

    `failure_chance_away` is the chance at an interval a month shorter and a month longer, (units, 2).
    """

    visit_days: FloatArray
    every_n: IntArray
    current_days: FloatArray
    limited_by: npt.NDArray[np.object_]
    failure_chance: FloatArray
    failure_chance_current: FloatArray
    failure_chance_away: FloatArray
    cost: FloatArray
    cost_current: FloatArray
    held: BoolArray


def mean_low_high(draws: FloatArray) -> FloatArray:
    """Return mean, 5 % and 95 % point over draws, (rows, 3)."""
    low, high = np.quantile(draws, (0.05, 0.95), axis=1)
    return np.stack([draws.mean(axis=1), low, high], axis=1)


def saving_at_ages_seen(saving: FloatArray, saved_beyond: FloatArray) -> FloatArray:
    """Return the part of each site's saving that rests on ages already seen, (sites,); the rest is projected.

    It is what the best plan within the ages seen saves against today's rule, and none where that plan costs
    more than the rule: both parts then have the sign of the whole. A plan that limits make dearer than the
    rule is not projected: all of that is known.

    Parameters
    ----------
    saving : array (sites,)
        Today's cost a year less the plan's.
    saved_beyond : array (sites,)
        Cost a year of the best plan within the ages seen, less the plan's.
    """
    return np.where(saving > 0, np.clip(saving - saved_beyond, 0.0, np.maximum(saving, 0.0)), saving)


_Planned = TypeVar("_Planned", PlannedSites, PlannedUnits)


def joined(parts: Sequence[_Planned]) -> _Planned:
    """Return the figures of several batches as one."""
    kind = type(parts[0])
    return kind(
        **{item.name: np.concatenate([getattr(part, item.name) for part in parts]) for item in fields(kind)}
    )


def plan_frame(sites: pl.DataFrame, planned: PlannedSites) -> pl.DataFrame:
    """Return the plan of each site: visits, trips, call-outs, cost a year, and the same under today's rule.

    Parameters
    ----------
    sites : polars frame
        site_id, in the order of `planned`.
    planned : PlannedSites
    """
    decided = ("decision", "decided_on", "decided_interval_days", "decided_reason")
    kept = [name for name in decided if name in sites.columns]
    return (
        sites.select("site_id")
        .with_columns(
            visit_interval_days=planned.visit_days.astype(np.int64),
            trips_per_year=DAYS_PER_YEAR / planned.visit_days,
            callouts_per_year=planned.callouts,
            cost_per_year=planned.cost[:, 0],
            low=planned.cost[:, 1],
            high=planned.cost[:, 2],
            visit_interval_days_current=planned.visit_days_current,
            trips_per_year_current=DAYS_PER_YEAR / planned.visit_days_current,
            callouts_per_year_current=planned.callouts_current,
            cost_per_year_current=planned.cost_current[:, 0],
            low_current=planned.cost_current[:, 1],
            high_current=planned.cost_current[:, 2],
            saving_seen=planned.saving_seen,
            saving_projected=planned.saving_projected,
            cost_per_year_month_sooner=_finite(planned.cost_sooner),
            cost_per_year_month_later=_finite(planned.cost_later),
            visit_interval_days_closer=_known(planned.visit_days_closer),
            cost_per_year_closer=_known(planned.cost_closer),
        )
        .with_columns(sites.select(kept))
    )


def totals_frame(sites: pl.DataFrame, planned: PlannedSites) -> pl.DataFrame:
    """Return the fleet's sums a year: measure, plan, plan_low, plan_high, current, current_low, current_high.

    Measures: trips_per_year, callouts_per_year, cost_per_year, saving_per_year (today less plan), and its
    two parts saving_seen and saving_projected; low and high are the 90 % range of the sum.

    Parameters
    ----------
    planned : PlannedSites
    """
    cost, cost_today, calls, calls_today = planned.together.sum(axis=0)
    trips = DAYS_PER_YEAR / sites["sharing"].to_numpy()
    rows = [
        ("trips_per_year", *_alone(trips / planned.visit_days), *_alone(trips / planned.visit_days_current)),
        ("callouts_per_year", *_ranged(calls), *_ranged(calls_today)),
        ("cost_per_year", *_ranged(cost), *_ranged(cost_today)),
        ("saving_per_year", *_ranged(cost_today - cost), None, None, None),
        ("saving_seen", *_alone(planned.saving_seen), None, None, None),
        ("saving_projected", *_alone(planned.saving_projected), None, None, None),
    ]  # fmt: skip
    numbers = ("plan", "plan_low", "plan_high", "current", "current_low", "current_high")
    schema = {"measure": pl.String, **dict.fromkeys(numbers, pl.Float64)}
    return pl.DataFrame(rows, schema=schema, orient="row")


def _alone(values: FloatArray) -> tuple[float, None, None]:
    return float(values.sum()), None, None


def _ranged(draws: FloatArray) -> tuple[float, float, float]:
    low, high = np.quantile(draws, (0.05, 0.95))
    return float(draws.mean()), float(low), float(high)


def interval_frame(
    units: pl.DataFrame, limits: Limits, levels: pl.DataFrame, planned: PlannedUnits
) -> pl.DataFrame:
    """Return the interval of each component in a slot, what bounds it, its chances and cost without trips.

    Parameters
    ----------
    units : polars frame
        site_id, component, slot, spells, failures, in the order of `planned`.
    limits : Limits
    levels : polars frame
        component, level.
    planned : PlannedUnits
    """
    hard = limits.hard_unit_days
    out = units.select("site_id", "component", "slot", "spells", "failures").with_columns(
        visit_interval_days=planned.visit_days.astype(np.int64),
        every_n_visits=planned.every_n,
        interval_days=(planned.visit_days * planned.every_n).astype(np.int64),
        current_interval_days=planned.current_days,
        limited_by=pl.Series(planned.limited_by.tolist(), dtype=pl.String),
        failure_chance=_known(planned.failure_chance[:, 0]),
        failure_chance_low=_known(planned.failure_chance[:, 1]),
        failure_chance_high=_known(planned.failure_chance[:, 2]),
        failure_chance_current=_known(planned.failure_chance_current),
        failure_chance_month_sooner=_known(planned.failure_chance_away[:, 0]),
        failure_chance_month_later=_known(planned.failure_chance_away[:, 1]),
        cost_per_year=_known(planned.cost),
        cost_per_year_current=_known(planned.cost_current),
        hard_limit_days=_known(np.where(np.isfinite(hard), hard, np.nan)),
        deadline_days=_known(np.where(np.isfinite(limits.deadline_days), limits.deadline_days, np.nan)),
        deadline=pl.Series([name or None for name in limits.deadline_name], dtype=pl.String),
        visit_deadline_days=_known(
            np.where(np.isfinite(limits.visit_deadline_days), limits.visit_deadline_days, np.nan)
        ),
        _held=planned.held,
    )
    return _with_evidence(out, levels)


def with_limit_source(intervals: pl.DataFrame, sites: pl.DataFrame, lateness_days: float) -> pl.DataFrame:
    """Return the intervals with `limit_source`: which limit, decision or neighbour holds them, in words.

    Parameters
    ----------
    intervals : polars frame
    sites : polars frame
        site_id, address, site_limit_kind, site_limit_days, site_limit_source, site_limit_from, decision,
        decided_on, decided_reason, pinned_days, no_longer_days.
    lateness_days : float
        What is taken off a limit.
    """
    days = pl.col("site_limit_days").round(0).cast(pl.Int64)
    begins = pl.when(pl.col("site_limit_from").is_null()).then(pl.lit("")).otherwise(
        pl.format(" from {} on", pl.col("site_limit_from").dt.strftime("%-d %b %Y"))
    )  # fmt: skip
    agreed = pl.format("{}, at most {} days{}", "site_limit_kind", days, begins)
    decided = pl.format("{} on {}", "decision", pl.col("decided_on").dt.strftime("%-d %b %Y"))
    told = sites.select(
        "site_id",
        _agreed=_with_note(agreed, "site_limit_source"),
        _decided=_with_note(decided, "decided_reason"),
        _neighbour=_strictest_neighbour(lateness_days),
    )
    return (
        intervals.join(told, on="site_id", how="left", maintain_order="left")
        .with_columns(
            limit_source=pl.when(pl.col("limited_by") == "site_limit")
            .then("_agreed")
            .when(pl.col("limited_by") == "decision")
            .then("_decided")
            .when(pl.col("limited_by") == "shared_trip")
            .then("_neighbour")
        )
        .drop("_agreed", "_decided", "_neighbour")
    )


def _strictest_neighbour(lateness_days: float) -> pl.Expr:
    """Return, of the other sites at the address, the one held to the fewest days; null for none."""
    least = pl.min_horizontal(pl.col("site_limit_days") - lateness_days, "pinned_days", "no_longer_days")
    strict = pl.col("site_id").filter(least.is_not_null()).sort_by(least.filter(least.is_not_null()))
    first, second = (strict.get(at, null_on_oob=True).over("address") for at in (0, 1))
    return pl.when(first != pl.col("site_id")).then(first).otherwise(second).cast(pl.String)


def _with_note(told: pl.Expr, note: str) -> pl.Expr:
    text = pl.col(note).fill_null("")
    return pl.when(text == "").then(told).otherwise(pl.format("{}: {}", told, text))


def _with_evidence(out: pl.DataFrame, levels: pl.DataFrame) -> pl.DataFrame:
    own = (pl.col("level") == PER_SITE) & (pl.col("failures") >= FAILURES_OF_ITS_OWN)
    evidence = (
        pl.when(pl.col("_held"))
        .then(pl.lit("customary"))
        .when(own)
        .then(pl.lit("own_records"))
        .otherwise(pl.lit("like_sites"))
    )
    return (
        out.join(levels.select("component", "level"), on="component", how="left", maintain_order="left")
        .with_columns(evidence=evidence)
        .drop("_held", "level")
    )


def _finite(values: FloatArray) -> pl.Series:
    """Return the values with what is not finite told as null."""
    return _known(np.where(np.isfinite(values), values, np.nan))


def _known(values: FloatArray) -> pl.Series:
    """Return the values with nan told as null."""
    return pl.Series(values).fill_nan(None)
