"""What units came out for, by age: the share gone for each reason, the others competing with it."""

from datetime import date

import numpy as np
import polars as pl

from fleetstats.life.curves import cumulative_incidence, log_log_range
from fleetstats.quantities import FloatArray
from fleetstats.tables import TABLES

#: Ages at which the share is kept.
GRID_DAYS = 14.0
#: How a spell ended -> the reason told; a competing end is told by what was found, nothing = not ended.
_CAUSES = {
    "failed": "spent",
    "found_spent": "spent",
    "taken_out": "before it was spent",
    "unknown": "unknown",
}


def removals(
    component: str, *, spells: pl.DataFrame, left_out: pl.DataFrame, sites: pl.DataFrame, as_of: date
) -> pl.DataFrame:
    """Return the share of units of `component` gone by each age for each reason, with 90 % ranges.

    A removal is always seen, whatever was known of the unit's state: spells left out of the lives because
    nothing was known of it count here. A unit in place before the site was first visited is watched from the
    age it had then.

    Parameters
    ----------
    component : str
    spells, left_out : polars frames
        The relations; rows of other components are passed over.
    sites : polars frame
        site_id, first_visit_on.
    as_of : date

    Returns
    -------
    polars frame
        component, cause (spent, before it was spent, unknown, or what was found), days (every two weeks to
        the last removal), incidence, standard_error, low, high, units (gone for that reason in all).

    References
    ----------
    Aalen & Johansen 1978, Scand. J. Stat. 5:141; the range on the log(-log) scale, Kalbfleisch & Prentice
    2002, sec. 8.2 (memory).
    """
    units = _units(component, spells, left_out, sites, as_of)
    if not units.height or not units["cause"].count():
        return TABLES["removals"].of()
    found = cumulative_incidence(
        units["age"].to_numpy(), units["cause"].to_list(), entry=units["entry"].to_numpy()
    )
    counts = dict(units.drop_nulls("cause").group_by("cause").len().sort("cause").iter_rows())
    last = float(found["days"].to_numpy().max())
    grid = np.arange(0.0, last + GRID_DAYS, GRID_DAYS)
    return pl.concat([_on_grid(component, cause, found, grid, number) for cause, number in counts.items()])


def _units(
    component: str, spells: pl.DataFrame, left_out: pl.DataFrame, sites: pl.DataFrame, as_of: date
) -> pl.DataFrame:
    columns = ("site_id", "component", "fitted_on", "ended_on", "ended_how")
    of = pl.col("component") == component
    held = spells.filter(of).select("spell_id", *columns, "competing_reason")
    unseen = left_out.filter(of, pl.col("reason") == "nothing_known").select("spell_id", *columns)
    known = pl.concat(
        [held, unseen.with_columns(competing_reason=pl.lit(None, pl.String)).select(held.columns)]
    )
    end = pl.col("ended_on").fill_null(pl.lit(as_of))
    cause = pl.when(pl.col("ended_how") == "competing").then("competing_reason")
    return (
        known.join(sites.select("site_id", "first_visit_on"), on="site_id", how="left")
        .sort("spell_id")
        .select(
            age=(end - pl.col("fitted_on")).dt.total_days().cast(pl.Float64),
            entry=(pl.col("first_visit_on") - pl.col("fitted_on"))
            .dt.total_days()
            .cast(pl.Float64)
            .fill_null(0.0)
            .clip(lower_bound=0.0),
            cause=cause.otherwise(
                pl.col("ended_how").replace_strict(_CAUSES, default=None, return_dtype=pl.String)
            ),
        )
        .filter(pl.col("age") > pl.col("entry"))
    )


def _on_grid(component: str, cause: str, found: pl.DataFrame, grid: FloatArray, units: int) -> pl.DataFrame:
    own = found.filter(pl.col("cause") == cause)
    place = np.searchsorted(own["days"].to_numpy(), grid, side="right")
    share, error = (np.append(0.0, own[name].to_numpy())[place] for name in ("incidence", "standard_error"))
    low, high = log_log_range(share, error)
    rows = {"component": component, "cause": cause, "days": grid, "incidence": share, "standard_error": error,
            "low": low, "high": high, "units": units}  # fmt: skip
    return TABLES["removals"].to_keep(pl.DataFrame(rows))
