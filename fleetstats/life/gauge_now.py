"""What is known of the ends of the units in place now, their own gauge readings included."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetstats.life.blocking import Blocking
from fleetstats.life.draws import LifeDraws
from fleetstats.life.families import FAMILIES
from fleetstats.life.gauge_cells import GaugeReadings, fine_edges, fine_middles, log_density_on
from fleetstats.life.soft_terms import end_chances
from fleetstats.quantities import FloatArray, IntArray

# Cells worked on at once: units, cells and draws.
_CELLS_AT_ONCE = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Ends:
    """When units in place may end: the chance of each cell of log age, all that is known counted.

    Attributes
    ----------
    edges : ndarray, shape (n, cells + 1)
        Log days.
    chance : ndarray, shape (n, cells)
        Adds up to 1 for each unit.
    """

    edges: FloatArray
    chance: FloatArray

    def spent_by(self, age_days: npt.ArrayLike) -> FloatArray:
        """Return the chance that each unit is spent by an age, shape (n,), or (n, m) for ages (n, m)."""
        ages = np.asarray(age_days, dtype=np.float64)
        table = np.broadcast_to(ages, (len(self.edges),))[:, None] if ages.ndim < 2 else ages
        with np.errstate(divide="ignore"):
            log_age = np.log(table)
        low, width = self.edges[:, :-1], np.diff(self.edges, axis=1)
        spent = np.zeros(table.shape)
        for k in range(low.shape[1]):
            passed = np.clip((log_age - low[:, k, None]) / np.maximum(width[:, k, None], 1e-12), 0.0, 1.0)
            spent += self.chance[:, k, None] * passed
        return spent if ages.ndim == 2 else spent[:, 0]

    def quantile(self, p: float) -> FloatArray:
        """Return the age in days by which each unit is spent with chance p, shape (n,)."""
        below = np.cumsum(self.chance, axis=1)
        cell = np.minimum((below < p).sum(axis=1), below.shape[1] - 1)
        row = np.arange(len(below))
        before = np.where(cell > 0, below[row, np.maximum(cell - 1, 0)], 0.0)
        inside = np.clip((p - before) / np.maximum(self.chance[row, cell], 1e-300), 0.0, 1.0)
        width = np.minimum(self.edges[row, cell + 1] - self.edges[row, cell], 1.0)
        age: FloatArray = np.exp(self.edges[row, cell] + inside * width)
        return age

    def take(self, rows: IntArray) -> Ends:
        """Return the ends of some of the units."""
        return Ends(self.edges[rows], self.chance[rows])

    def given(self, age_days: FloatArray, log_density: FloatArray, edges: FloatArray) -> FloatArray:
        """Return the chance of each new cell for units that reach an age, were this read then.

        Parameters
        ----------
        age_days : ndarray, shape (n,)
        log_density : ndarray, shape (n, cells)
            Of what is read, on the new cells.
        edges : ndarray, shape (n, cells + 1)
            Of the new cells, beginning at `age_days`.
        """
        mass = np.diff(self.spent_by(np.exp(np.minimum(edges, 30.0))), axis=1)
        weighed = np.maximum(mass, 0.0) * np.exp(log_density)
        whole = weighed.sum(axis=1, keepdims=True)
        return weighed / np.where(whole > 0, whole, 1.0)


def ends_now(
    draws: LifeDraws,
    units: IntArray,
    reached_days: FloatArray,
    *,
    readings: GaugeReadings | None = None,
    row: IntArray | None = None,
    blocking: Blocking | None = None,
) -> Ends:
    """Return when units in place may end, averaged over draws, each unit's own readings counted.

    Parameters
    ----------
    draws : LifeDraws
        Which rest on these units' readings too, where these were among the lives fitted.
    units : ndarray of int, shape (n,)
        Row of each unit in the draws.
    reached_days : ndarray, shape (n,)
        Age that each is known to have reached; above 0.
    readings, row, blocking : GaugeReadings, ndarray of int, Blocking, optional
        Readings, the unit (0 to n - 1) of each, -1 = of none, and the law.
    """
    edges = fine_edges(reached_days, np.full(reached_days.size, np.inf))
    height = np.ones((edges.shape[0], edges.shape[1] - 1))
    if readings is not None and row is not None and blocking is not None:
        height = np.exp(log_density_on(edges, row, readings, blocking))
    chance = np.zeros(height.shape)
    size = max(1, _CELLS_AT_ONCE // (edges.shape[1] * max(1, draws.scale.size)))
    for start in range(0, units.size, size):
        part = slice(start, start + size)
        for name in dict.fromkeys(draws.family):
            columns = np.flatnonzero(np.array(draws.family) == name)
            location = draws.location[np.ix_(units[part], columns)]
            z = (edges[part, None, :] - location[:, :, None]) / draws.scale[columns][:, None]
            weighed = end_chances(FAMILIES[name], z) * height[part, None, :]
            whole = weighed.sum(axis=2, keepdims=True)
            # a draw under which none of this can be says nothing
            chance[part] += (weighed / np.where(whole > 0, whole, np.inf)).sum(axis=1)
    whole = chance.sum(axis=1, keepdims=True)
    return Ends(edges, chance / np.where(whole > 0, whole, 1.0))


def doubts(ends: Ends, readings: GaugeReadings, row: IntArray, blocking: Blocking) -> FloatArray:
    """Return the chance that each reading is a wild one, given all else, shape (readings,).

    Parameters
    ----------
    row : ndarray of int, shape (readings,)
        Unit of each reading.
    """
    share = readings.age_days[:, None] * np.exp(-fine_middles(ends.edges))[row]
    wild = blocking.wild_share * blocking.wild_density / np.exp(readings.log_density(blocking, share))
    return np.asarray((ends.chance[row] * wild).sum(axis=1))


def change_at(
    ends: Ends,
    age_days: FloatArray,
    until_days: FloatArray,
    blocking: Blocking,
    *,
    most_chance: float,
    grid_kpa: FloatArray,
) -> FloatArray:
    """Return the lowest drop, read at an age, that makes being spent by `until_days` too likely.

    Parameters
    ----------
    age_days, until_days : ndarray, shape (n,)
        Age at the reading and at the visit after.
    most_chance : float
    grid_kpa : ndarray, shape (m,)
        Drops tried, rising.

    Returns
    -------
    ndarray, shape (n,)
        kPa; 0 where no reading tried would do, inf where all would.
    """
    age = np.maximum(age_days, 1.0)
    edges = fine_edges(age, np.full(age.size, np.inf))
    share = age[:, None] * np.exp(-fine_middles(edges))
    found = np.full(age.size, np.inf)
    for drop in grid_kpa[::-1]:
        read = GaugeReadings(
            np.zeros(age.size, dtype=np.intp), age, np.full(age.size, drop), np.zeros(age.size),
            np.zeros(age.size, dtype=bool), np.zeros((age.size, 1)),
        )  # fmt: skip
        later = Ends(edges, ends.given(age, read.log_density(blocking, share), edges))
        found = np.where(later.spent_by(until_days) >= most_chance, drop, found)
    return np.where(found <= grid_kpa.min(initial=np.inf), 0.0, found)
