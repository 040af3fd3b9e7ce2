"""Gauge readings of lives, and the cells of log age that they turn into for the likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetstats.errors import LifeError
from fleetstats.life.blocking import Blocking
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.soft_terms import FOREVER
from fleetstats.quantities import BoolArray, FloatArray, IndexArray

#: Cells of a life that is still good at `lower` reach so far beyond it in log age, narrow ones first.
_STEP, _WIDENING, _FINE = 0.025, 1.09, 30
_OPEN: Final = _STEP * (_WIDENING ** np.arange(_FINE + 1) - 1) / (_WIDENING - 1)
#: Below this share of `upper` one cell will do: drop and density hardly change there.
_LOWEST: Final = 1 / 20
#: Cells kept for the likelihood: readings tell lives apart no more finely.
KEPT: Final = 8


@dataclass(frozen=True, slots=True, eq=False)
class GaugeReadings:
    """Pressure drops read while units were in place.

    Attributes
    ----------
    life : ndarray of int, shape (n,)
        Row of the unit in the lifetimes; -1: a unit just fitted.
    age_days : ndarray, shape (n,)
        Age of the unit when read.
    drop_kpa : ndarray, shape (n,)
        Over the housing, or over all stages in line.
    log_flow : ndarray, shape (n,)
        Log of the flow over the usual one; 0 where it was not read.
    flow_read : ndarray of bool, shape (n,)
    other_kpa : ndarray, shape (n, atoms)
        What the other stages in line may add, each atom as likely as the next; 0 for a housing of its own.

    Raises
    ------
    LifeError
        If an array has another length, an age or drop is missing or below 0.
    """

    life: IndexArray
    age_days: FloatArray
    drop_kpa: FloatArray
    log_flow: FloatArray
    flow_read: BoolArray
    other_kpa: FloatArray

    def __post_init__(self) -> None:
        n = self.life.size
        for name in ("age_days", "drop_kpa", "log_flow", "flow_read", "other_kpa"):
            values = getattr(self, name)
            if values.shape[0] != n:
                raise LifeError(f"readings: {values.shape[0]} values of {name} found for {n} readings")
            if name != "flow_read" and not np.all(
                np.isfinite(values) & ((values >= 0) | (name == "log_flow"))
            ):
                raise LifeError(f"readings: {name} below 0 or missing found; leave such a reading out")

    def __len__(self) -> int:
        return int(self.life.size)

    def take(self, which: BoolArray | IndexArray) -> GaugeReadings:
        """Return some of the readings."""
        return GaugeReadings(
            self.life[which],
            self.age_days[which],
            self.drop_kpa[which],
            self.log_flow[which],
            self.flow_read[which],
            self.other_kpa[which],
        )

    def log_density(self, blocking: Blocking, share: FloatArray) -> FloatArray:
        """Return the log density of each reading were these shares of life spent, shape of `share`.

        Parameters
        ----------
        blocking : Blocking
        share : ndarray, shape (n, m)
        """
        flow = np.exp(self.log_flow)[:, None]
        own = blocking.drop(share)
        drop, read = self.drop_kpa[:, None], self.flow_read[:, None]
        shared = np.flatnonzero(self.other_kpa.any(axis=1))
        total = blocking.density(drop, own * flow, read)
        if shared.size:
            atoms = self.other_kpa[shared].T
            sums = np.zeros((shared.size, share.shape[1]))
            for atom in atoms:
                sums += blocking.density(
                    drop[shared], (own[shared] + atom[:, None]) * flow[shared], read[shared]
                )
            total[shared] = sums / len(atoms)
        return np.log(total)


@dataclass(frozen=True, slots=True, eq=False)
class GaugeCells:
    """What gauge readings say of some lives: the density of a life's readings in each cell of its log age.

    Attributes
    ----------
    life : ndarray of int, shape (rows,)
        Rows of the lifetimes, rising.
    edges : ndarray, shape (rows, cells + 1)
        Log days.
    heights : ndarray, shape (rows, cells)
    """

    life: IndexArray
    edges: FloatArray
    heights: FloatArray

    def place(self, lives: int) -> IndexArray:
        """Return the row here of each of so many lives, -1 where nothing was read."""
        place = np.full(lives, -1, dtype=np.intp)
        place[self.life] = np.arange(self.life.size)
        return place


def fine_edges(lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return the edges of fine cells over where each life may end, log days, shape (n, cells + 1).

    Still good at `lower`: narrow cells just beyond it, the last one open. Ended by `upper`: even cells down
    to a twentieth of it, and one below.
    """
    with np.errstate(divide="ignore"):
        low, high = np.log(lower), np.log(upper)
    n = lower.size
    edges = np.empty((n, _FINE + 2))
    still = np.isinf(upper)
    edges[still, :-1] = low[still, None] + _OPEN
    edges[still, -1] = FOREVER
    ended = ~still
    start = np.maximum(low[ended], high[ended] + np.log(_LOWEST))
    edges[ended, 0] = np.maximum(low[ended], -FOREVER)
    edges[ended, 1:] = start[:, None] + (high[ended] - start)[:, None] * np.linspace(0, 1, _FINE + 1)
    return edges


def fine_middles(edges: FloatArray) -> FloatArray:
    """Return the log age that stands for each fine cell; an open one is taken a little beyond its edge."""
    low, high = edges[:, :-1], edges[:, 1:]
    width = np.minimum(high - low, 0.5)
    return np.where(
        low < high - 0.5, np.where(low < -0.5 * FOREVER, high - 0.25, low + 0.5 * width), 0.5 * (low + high)
    )


def read_lives(lives: Lifetimes, readings: GaugeReadings) -> IndexArray:
    """Return the lives, rising, whose readings say something of their end: those not known exactly."""
    own = np.unique(readings.life[readings.life >= 0])
    return own[~lives.exact[own]]


def fine_log_densities(
    lives: Lifetimes, readings: GaugeReadings, blocking: Blocking, which: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Return fine edges and the log density of all readings of each life in each fine cell.

    Parameters
    ----------
    which : ndarray of int
        As returned by `read_lives`, or some of them.
    """
    edges = fine_edges(lives.lower[which], lives.upper[which])
    place = np.full(len(lives), -1, dtype=np.intp)
    place[which] = np.arange(which.size)
    return edges, log_density_on(
        edges, np.where(readings.life >= 0, place[readings.life], -1), readings, blocking
    )


def log_density_on(
    edges: FloatArray, row: IndexArray, readings: GaugeReadings, blocking: Blocking
) -> FloatArray:
    """Return the log density of the readings of each unit were its life to end in each cell, (n, cells).

    Parameters
    ----------
    edges : ndarray, shape (n, cells + 1)
    row : ndarray of int, shape (readings,)
        Unit of each reading; -1: none of these.
    """
    kept = np.flatnonzero(row >= 0)
    kept = kept[np.argsort(row[kept], kind="stable")]
    own, of_unit = readings.take(kept), row[kept]
    total = np.zeros((edges.shape[0], edges.shape[1] - 1))
    if kept.size:
        share = own.age_days[:, None] * np.exp(-fine_middles(edges))[of_unit]
        units, first = np.unique(of_unit, return_index=True)
        total[units] = np.add.reduceat(own.log_density(blocking, share), first, axis=0)
    return total


def gauge_cells(lives: Lifetimes, readings: GaugeReadings, blocking: Blocking) -> GaugeCells:
    """Return what the readings say of the lives that are not known exactly."""
    which = read_lives(lives, readings)
    edges, log_density = fine_log_densities(lives, readings, blocking, which)
    return GaugeCells(which, *merged(edges, np.exp(log_density)))


def merged(edges: FloatArray, heights: FloatArray, kept: int = KEPT) -> tuple[FloatArray, FloatArray]:
    """Return fewer cells, cut where the root of the height has changed by even parts of all it changes.

    Within a merged cell the height varies little, so that the mean over it will do. Cells that are left over
    have no width.
    """
    n = heights.shape[0]
    width = np.minimum(np.diff(edges, axis=1), 1.0)
    steps = np.abs(np.diff(np.sqrt(heights), axis=1))
    walked = np.concatenate([np.zeros((n, 1)), np.cumsum(steps, axis=1)], axis=1)
    whole = walked[:, -1:]
    part = np.minimum((kept * walked / np.where(whole > 0, whole, 1.0)).astype(np.intp), kept - 1)
    code = (np.arange(n)[:, None] * kept + part).ravel()
    mass = np.bincount(code, (heights * width).ravel(), n * kept).reshape(n, kept)
    room = np.bincount(code, width.ravel(), n * kept).reshape(n, kept)
    # a cell whose fine cells have no width, or that no fine cell fell into, has no chance: any height will do
    height = np.where(room > 0, mass / np.where(room > 0, room, 1.0), heights.max(axis=1, keepdims=True))
    count = np.bincount(code, minlength=n * kept).reshape(n, kept)
    last = np.concatenate([np.zeros((n, 1), dtype=np.intp), np.cumsum(count, axis=1)], axis=1)
    return np.take_along_axis(edges, last, axis=1), height
