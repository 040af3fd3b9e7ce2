"""Lives as the records tell them, one after another, filled in by draws where the records end."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from fleetstats.quantities import FloatArray, IndexArray
from fleetstats.stock.lifespans import Lifespans
from fleetstats.trust.followup import FollowUp


@dataclass(slots=True)
class RecordedLives:
    """Recorded lives of n units and their successors in R replicates of what the records leave open.

    Attributes
    ----------
    lives : Lifespans
    lower_days, upper_days : numpy.ndarray (n, k)
        What is known of the life in place (column 0) and of its successors; NaN = nothing.
    """

    lives: Lifespans
    lower_days: FloatArray
    upper_days: FloatArray
    _next: IndexArray = field(init=False)

    def __post_init__(self) -> None:
        self._next = np.ones((self.lower_days.shape[0], self.lives.replicates), np.intp)

    @property
    def replicates(self) -> int:
        """Return R."""
        return self.lives.replicates

    def given(
        self,
        row: IndexArray,
        replicate: IndexArray,
        lasted_days: FloatArray,
        rng: np.random.Generator,
    ) -> FloatArray:
        """Return the whole life in days (m,) of units in place that have lasted `lasted_days` (m,)."""
        lower, upper = self.lower_days[row, 0], self.upper_days[row, 0]
        nothing = np.isnan(lower)
        lower, upper = np.where(nothing, lasted_days, lower), np.where(nothing, np.inf, upper)
        return self.lives.within(row, replicate, lower, upper, rng)

    def fresh(self, row: IndexArray, replicate: IndexArray, rng: np.random.Generator) -> FloatArray:
        """Return the life in days (m,) of the next unit of each pair of row and replicate (m,)."""
        place = self._next[row, replicate]
        self._next[row, replicate] += 1
        recorded = np.minimum(place, self.lower_days.shape[1] - 1)
        lower, upper = self.lower_days[row, recorded], self.upper_days[row, recorded]
        nothing = np.isnan(lower) | (place > recorded)
        return self.lives.within(
            row, replicate, np.where(nothing, 0.0, lower), np.where(nothing, np.inf, upper), rng
        )


def recorded_lives(found: FollowUp, lives: Lifespans, rows: IndexArray) -> RecordedLives:
    """Return the recorded lives of the units whose rows among the component's units are `rows` (n,)."""
    spells = pl.DataFrame({"row": found.row, "begun": found.begun})
    place = spells.select(pl.col("begun").cast(pl.Int64).cum_sum().over("row")).to_series().to_numpy()
    shape = (int(max(rows.max(initial=0), found.row.max(initial=0))) + 1, int(place.max(initial=0)) + 1)
    lower, upper = np.full(shape, np.nan), np.full(shape, np.nan)
    lower[found.row, place], upper[found.row, place] = found.lower_days, found.upper_days
    return RecordedLives(lives, lower[rows], upper[rows])
