"""The chance that units in place are spent by a day to come, and how long their visits may wait for it."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import WEEK, FloatArray, IndexArray

#: Rows of a component's draws and ages in days -> chance of being spent by then, nan = no reading says.
SpentBy = Callable[[IndexArray, FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is believed of the units in place.

    Attributes
    ----------
    lives : mapping of component to draws
    as_of : date
    gauges : mapping of component to `SpentBy`
        From the units' own readings.
    """

    lives: Mapping[str, LifeDraws]
    as_of: date
    gauges: Mapping[str, SpentBy]

    def chances_by(self, rows: pl.DataFrame, day: pl.Series) -> FloatArray:
        """Return the chance that each unit is spent by its day, given all known; nan where nothing says.

        Parameters
        ----------
        rows : polars frame
            component, life_row, age_days, survived_days, first_visit_on, interval_days, spent_seen, removed.
        day : polars Series of dates (rows,)
        """
        wait = (day - self.as_of).dt.total_days().to_numpy().astype(np.float64)
        return self._after(rows, wait)

    def last_day_within(self, rows: pl.DataFrame, tolerated: Mapping[str, float]) -> pl.DataFrame:
        """Return the last day on which all units of an address are within their chances: address, _within.

        In weeks from `as_of` up to visit_by; the day before `as_of` where a unit is likelier spent than that
        already; visit_by where nothing says.

        Parameters
        ----------
        rows : polars frame
            As in `chances_by`, and address and visit_by.
        tolerated : mapping
            Component -> chance.
        """
        longest = (rows["visit_by"] - self.as_of).dt.total_days().to_numpy().astype(np.float64)
        limit = np.array([tolerated[name] for name in rows["component"]])
        days, waiting = np.full(len(rows), -1.0), np.ones(len(rows), dtype=np.bool_)
        for step in np.arange(0.0, longest.max(initial=0.0) + WEEK, WEEK):
            wait = np.minimum(step, longest)
            waiting &= ~(self._after(rows, wait) > limit)
            days = np.where(waiting, wait, days)
        last = pl.Series([self.as_of + timedelta(days=int(day)) for day in days], dtype=pl.Date)
        return rows.select("address", _within=last).group_by("address").agg(pl.col("_within").min())

    def _after(self, rows: pl.DataFrame, wait: FloatArray) -> FloatArray:
        age = _ages_at_least(rows, self.as_of)
        survived = np.minimum(rows["survived_days"].cast(pl.Float64).fill_null(0.0).to_numpy(), age)
        out = np.full(len(rows), np.nan)
        names, life_row = rows["component"].to_numpy(), rows["life_row"].fill_null(-1).to_numpy()
        for name, draws in self.lives.items():
            at = np.flatnonzero((names == name) & (life_row >= 0))
            if len(at):
                own = life_row[at]
                there = draws.take(own)
                out[at] = 1.0 - there.conditional_survival(age[at] + wait[at], survived[at])
                if name in self.gauges:
                    told = self.gauges[name](own, age[at] + wait[at])
                    out[at] = np.where(np.isfinite(told), told, out[at])
        out[rows["spent_seen"].to_numpy()] = 1.0
        out[rows["removed"].to_numpy()] = 0.0
        return out


def _ages_at_least(rows: pl.DataFrame, as_of: date) -> FloatArray:
    """Return the age at as-of; where unknown, an interval or the time since the first visit, the longer."""
    seen = (pl.lit(as_of) - pl.col("first_visit_on")).dt.total_days()
    guess = pl.max_horizontal(seen, pl.col("interval_days"))
    return rows.select(pl.coalesce("age_days", guess).cast(pl.Float64)).to_series().clip(0.0).to_numpy()
