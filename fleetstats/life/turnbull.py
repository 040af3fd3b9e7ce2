"""The nonparametric curve of lives known only to intervals, truncated or not."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetstats.errors import LifeError
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.quantities import FloatArray, IndexArray

# How far below its maximum the log-likelihood may end, for each life.
_GAP = 1e-12
_ROUNDS = 300
# More masses than these make Newton's matrix too large to be worth solving.
_MOST_ACTIVE = 2000


@dataclass(frozen=True, slots=True)
class _Cover:
    """Which innermost intervals each life covers, first to last - 1; it was watched from `seen` on."""

    first: IndexArray
    last: IndexArray
    seen: IndexArray
    weight: FloatArray
    size: int

    def chances(self, mass: FloatArray) -> FloatArray:
        """Return the chance of each life's interval."""
        total = np.append(0.0, np.cumsum(mass))
        chance: FloatArray = total[self.last] - total[self.first]
        return chance

    def watched(self, mass: FloatArray) -> FloatArray:
        """Return the chance of each life's having got into the records at all."""
        total = np.append(0.0, np.cumsum(mass))
        return np.where(self.seen > 0, total[-1] - total[self.seen], 1.0)

    def spread(self, values: FloatArray, first: IndexArray, last: IndexArray) -> FloatArray:
        """Return for each innermost interval the sum of the values of the lives over it."""
        edges = np.zeros(self.size + 1)
        edges += np.bincount(first, weights=values, minlength=self.size + 1)
        edges -= np.bincount(last, weights=values, minlength=self.size + 1)
        return np.cumsum(edges)[:-1]


def turnbull(lives: Lifetimes) -> pl.DataFrame:
    """Return the nonparametric maximum-likelihood masses on the innermost intervals.

    Parameters
    ----------
    lives : Lifetimes
        Any censoring; weight and entry count, sites and covariates do not. With late entry the masses are
        those of lives longer than the earliest entry: the records say nothing of shorter ones.

    Returns
    -------
    polars.DataFrame
        lower_days, upper_days, mass: intervals (lower, upper] with mass above 0; lower = upper is a mass at
        that age, upper = inf mass beyond all that was seen. Where inside an interval the mass lies cannot be
        told.

    Raises
    ------
    LifeError
        If the masses do not settle.

    References
    ----------
    Turnbull (1976), J. R. Stat. Soc. B 38:290. Self-consistency first, then Newton steps over the masses
    above 0, until the largest slope bounds how far the log-likelihood can be from its maximum.
    """
    lower, upper, cover = _innermost(lives)
    mass = _self_consistent(cover, np.full(cover.size, 1 / cover.size), 100)
    late = bool((cover.seen > 0).any())
    mass = _self_consistent(cover, mass, 10_000) if late else _to_the_top(cover, mass)
    held = mass > 1e-9
    return pl.DataFrame(
        {"lower_days": lower[held], "upper_days": upper[held], "mass": mass[held] / mass[held].sum()}
    )


def _innermost(lives: Lifetimes) -> tuple[FloatArray, FloatArray, _Cover]:
    """Return lower and upper ends of the innermost intervals, and what covers them.

    Ends are ordered by age and, at one age, a mass point's start before closed upper ends before open lower
    ends; an innermost interval is a start directly followed by an end. Entries are upper ends too: mass may
    want to lie just below one, where it is not missed.
    """
    table = np.column_stack([lives.lower, lives.upper, lives.entry])
    rows, place = np.unique(table, axis=0, return_inverse=True)
    weight = np.zeros(rows.shape[0]) + np.bincount(place.ravel(), weights=lives.weight)
    low, high, entry = rows.T
    start_kind = np.where(low == high, 0.0, 2.0)
    entries = np.unique(entry[entry > 0])
    starts, ends = np.column_stack([low, start_kind]), np.column_stack([high, np.ones(high.size)])
    late = np.column_stack([entries, np.ones(entries.size)])
    points = np.unique(np.vstack([starts, ends, late]), axis=0)
    is_end = points[:, 1] == 1
    inner = np.flatnonzero(~is_end[:-1] & is_end[1:])
    lower, upper, keys = points[inner, 0], points[inner + 1, 0], _keys(points[inner])
    first = np.searchsorted(keys, _keys(starts), side="left")
    last = np.searchsorted(_keys(points[inner + 1]), _keys(ends), side="right")
    seen = np.searchsorted(
        _keys(points[inner + 1]), _keys(np.column_stack([entry, np.ones(entry.size)])), side="right"
    )
    cover = _Cover(first, last, np.where(entry > 0, seen, 0), weight, inner.size)
    covered = cover.spread(weight, first, last) > 1e-12 * weight.sum()
    number = np.append(0, np.cumsum(covered))
    kept = _Cover(number[first], number[last], number[cover.seen], weight, int(number[-1]))
    return lower[covered], upper[covered], kept


def _keys(points: FloatArray) -> npt.NDArray[np.complex128]:
    """Return (age, kind) as numbers that sort by age, then kind."""
    return points[:, 0] + 1j * points[:, 1]


def _self_consistent(cover: _Cover, mass: FloatArray, steps: int) -> FloatArray:
    """Return the masses after some rounds of self-consistency; lives that late entry hid are added back."""
    beginning = np.zeros_like(cover.seen)
    for _ in range(steps):
        expected = mass * cover.spread(cover.weight / cover.chances(mass), cover.first, cover.last)
        unseen = np.where(cover.seen > 0, cover.weight / cover.watched(mass), 0.0)
        expected += mass * cover.spread(unseen, beginning, cover.seen)
        fresh = expected / expected.sum()
        moved = float(np.abs(fresh - mass).max())
        mass = fresh
        if moved < 1e-14:
            break
    return mass


def _to_the_top(cover: _Cover, mass: FloatArray) -> FloatArray:
    """Return the masses of highest likelihood.

    Newton steps over the masses above 0, and over those whose slope asks for mass; a step that leads below 0
    is cut off there, one that leads downhill is halved. Self-consistency between them never leads downhill.
    """
    total = float(cover.weight.sum())
    for _ in range(_ROUNDS):
        mass = _self_consistent(cover, mass, 3)
        slope = cover.spread(cover.weight / cover.chances(mass), cover.first, cover.last)
        if slope.max() - total < _GAP * max(1.0, total):
            return mass
        active = np.flatnonzero((mass > 1e-6 / cover.size) | (slope > total))
        if active.size > _MOST_ACTIVE:
            mass = _self_consistent(cover, mass, 100)
            continue
        step = np.linalg.lstsq(_bend(cover, mass, active), slope[active] - total, rcond=1e-13)[0]
        mass = _uphill(cover, mass, active, np.asarray(step, dtype=np.float64))
    if slope.max() - total < 1e-6 * total:
        return mass
    raise LifeError(
        f"turnbull: the masses did not settle in {_ROUNDS} rounds; give fewer distinct ages, say whole days"
    )


def _bend(cover: _Cover, mass: FloatArray, active: IndexArray) -> FloatArray:
    """Return the negative curvature of the log-likelihood, shape (active, active).

    A life covers intervals j <= k when its first is at most j and its last beyond k: running sums over
    (first, last) count them without a row for each life.
    """
    first, last = np.searchsorted(active, cover.first), np.searchsorted(active, cover.last)
    covers = last > first
    corner = np.zeros((active.size, active.size))
    weight = cover.weight / cover.chances(mass) ** 2
    np.add.at(corner, (first[covers], last[covers] - 1), weight[covers])
    upper = np.triu(np.cumsum(np.cumsum(corner[:, ::-1], axis=1)[:, ::-1], axis=0))
    return upper + np.triu(upper, 1).T


def _uphill(cover: _Cover, mass: FloatArray, active: IndexArray, step: FloatArray) -> FloatArray:
    """Return the masses after the longest share of the step that leads uphill; unchanged if none does."""
    value = float(cover.weight @ np.log(cover.chances(mass)))
    for halving in range(20):
        trial = np.zeros_like(mass)
        trial[active] = np.maximum(mass[active] + step * 0.5**halving, 0.0)
        trial /= trial.sum()
        chance = cover.chances(trial)
        if (chance > 1e-300).all() and float(cover.weight @ np.log(chance)) >= value:
            # a mass cut off wrongly could never come back: self-consistency multiplies
            return np.maximum(trial, 1e-30)
    return mass
