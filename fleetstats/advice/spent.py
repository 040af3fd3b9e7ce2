"""The chance that units in place are spent by a day to come, and how long their visits may wait for it."""

from collections.abc import Callable, Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl

from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import WEEK, FloatArray, IndexArray

#: Rows of a component's draws and ages in days -> chance of being spent by then, nan = no reading says.
SpentBy = Callable[[IndexArray, FloatArray], FloatArray]


def chances_by(
    rows: pl.DataFrame,
    wait: FloatArray,
    *,
    lives: Mapping[str, LifeDraws],
    as_of: date,
    gauges: Mapping[str, SpentBy],
) -> FloatArray:
    """Return the chance that each unit is spent so many days on, given all known; nan where nothing says.

    Parameters
    ----------
    rows : polars frame
        component, life_row, age_days, survived_days, first_visit_on, interval_days, spent_seen, removed.
    wait : array (rows,)
        Days from `as_of`.
    lives : mapping
        Component -> draws.
    as_of : date
    gauges : mapping
        See `due_list`.

    Returns
    -------
    array (rows,)
    """
    age = _ages_at_least(rows, as_of)
    survived = np.minimum(rows["survived_days"].cast(pl.Float64).fill_null(0.0).to_numpy(), age)
    out = np.full(len(rows), np.nan)
    names, life_row = rows["component"].to_numpy(), rows["life_row"].fill_null(-1).to_numpy()
    for name, draws in lives.items():
        at = np.flatnonzero((names == name) & (life_row >= 0))
        if len(at):
            own = life_row[at]
            there = draws.take(own)
            out[at] = 1.0 - there.conditional_survival(age[at] + wait[at], survived[at])
            if name in gauges:
                told = gauges[name](own, age[at] + wait[at])
                out[at] = np.where(np.isfinite(told), told, out[at])
    out[rows["spent_seen"].to_numpy()] = 1.0
    out[rows["removed"].to_numpy()] = 0.0
    return out


def _ages_at_least(rows: pl.DataFrame, as_of: date) -> FloatArray:
    """Return the age at as-of; where unknown, an interval or the time since the first visit, the longer."""
    seen = (pl.lit(as_of) - pl.col("first_visit_on")).dt.total_days()
    guess = pl.max_horizontal(seen, pl.col("interval_days"))
    return rows.select(pl.coalesce("age_days", guess).cast(pl.Float64)).to_series().clip(0.0).to_numpy()


def last_day_within(
    rows: pl.DataFrame,
    *,
    tolerated: Mapping[str, float],
    lives: Mapping[str, LifeDraws],
    as_of: date,
    gauges: Mapping[str, SpentBy],
) -> pl.Series:
    """Return the last day, in weeks from `as_of` up to visit_by, on which each unit is within its chance.

    The day before `as_of` where the unit is likelier spent than that already; visit_by where nothing says.

    Parameters
    ----------
    rows : polars frame
        As in `chances_by`, and visit_by.
    tolerated : mapping
        Component -> chance.
    lives, as_of, gauges
        As in `chances_by`.
    """
    longest = (rows["visit_by"] - as_of).dt.total_days().to_numpy().astype(np.float64)
    limit = np.array([tolerated[name] for name in rows["component"]])
    days, waiting = np.full(len(rows), -1.0), np.ones(len(rows), dtype=np.bool_)
    for step in np.arange(0.0, longest.max(initial=0.0) + WEEK, WEEK):
        wait = np.minimum(step, longest)
        chances = chances_by(rows, wait, lives=lives, as_of=as_of, gauges=gauges)
        waiting &= ~(chances > limit)
        days = np.where(waiting, wait, days)
    return pl.Series([as_of + timedelta(days=int(day)) for day in days], dtype=pl.Date)
