"""What is told of plans beside their figures: the fleet's sums, and in words what limits an interval."""

import numpy as np
import polars as pl

from fleetstats.advice.plan_figures import PlannedSites
from fleetstats.quantities import FloatArray
from fleetstats.tables import TABLES


def totals_frame(sites: pl.DataFrame, planned: PlannedSites) -> pl.DataFrame:
    """Return the fleet's sums a year: measure, plan, plan_low, plan_high, current, current_low, current_high.

    Measures: trips_per_year, callouts_per_year, cost_per_year, saving_per_year (today less plan), and its
    two parts saving_seen and saving_projected; low and high are the 90 % range of the sum.

    Parameters
    ----------
    planned : PlannedSites
    """
    cost, cost_today, calls, calls_today = planned.together.sum(axis=0)
    sums = planned.frame.select(
        (pl.col("trips_per_year", "trips_per_year_current") / sites["sharing"]).sum(),
        pl.col("saving_seen", "saving_projected").sum(),
    ).row(0, named=True)
    rows = [
        ("trips_per_year", sums["trips_per_year"], None, None, sums["trips_per_year_current"], None, None),
        ("callouts_per_year", *_ranged(calls), *_ranged(calls_today)),
        ("cost_per_year", *_ranged(cost), *_ranged(cost_today)),
        ("saving_per_year", *_ranged(cost_today - cost), None, None, None),
        ("saving_seen", sums["saving_seen"], *[None] * 5),
        ("saving_projected", sums["saving_projected"], *[None] * 5),
    ]  # fmt: skip
    return TABLES["totals"].of(rows)


def _ranged(draws: FloatArray) -> tuple[float, float, float]:
    low, high = np.quantile(draws, (0.05, 0.95))
    return float(draws.mean()), float(low), float(high)


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
