"""What reading pressures at every visit would be worth, before any is read: the value of what a gauge tells.

Without readings a cartridge is renewed at the visit that is best for all that come to it. With one it is
renewed at a visit or kept, to that visit or, from there on, to the one after. Kept, it is spent before then
with chance p and costs a call-out C, and serves tau days more, each worth g, what a day costs without
readings: keeping costs D = p C - g tau more than renewing, and the reading says for which cartridges D is
above 0. The worth of reading is what renewing without readings costs a year less what renewing with them
does, both followed from one fitting to the next. Each reading is weighed as if it were the last, so that the
best use of a gauge is worth a little more.

References
----------
Howard (1960), Dynamic Programming and Markov Processes, chapter 4: choices are weighed by their cost until
the next one against the cost rate g. Raiffa & Schlaifer (1961), Applied Statistical Decision Theory, chapter
4: the expected value of sample information. Both cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetstats.advice.terms import MOST_VISITS
from fleetstats.life.blocking import Blocking
from fleetstats.life.draws import LifeDraws
from fleetstats.life.families import FAMILIES
from fleetstats.life.gauge_now import Ends
from fleetstats.life.soft_terms import FOREVER, end_chances
from fleetstats.quantities import DAYS_PER_YEAR, FloatArray, IndexArray, IntArray

#: Cells of life in each visit interval; beyond, ages grow by these factors, and the last cell is open.
_CELLS: Final = 8
_BEYOND: Final = np.array([1.12, 1.3, 1.6, 2.2, 3.5])
#: What gauges may show, log kPa: steps well under the spread of a good gauge.
_SHOWN: Final = np.linspace(np.log(0.5), np.log(3000.0), 121)
#: Drops that stand for what the other stage in line takes: middles of thirds of its life left.
_THIRDS: Final = (1 / 6, 1 / 2, 5 / 6)
_UNITS_AT_ONCE: Final = 100


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """Cartridges of one kind at sites of which no gauge tells, n of them, under their plan.

    Attributes
    ----------
    lives : LifeDraws
        Of the next cartridge at each site, n rows.
    visit_days : ndarray, shape (n,)
        Time between visits.
    every_n : ndarray of int, shape (n,)
        Renewed at every so many visits, 1 to 4.
    planned_cost : ndarray, shape (n,)
        Part and labour, without the trip.
    hard_limit_days : ndarray, shape (n,)
        Age that none may pass; inf: no such age.
    blocking : Blocking
        How the cartridge blocks, and how good a gauge is.
    kept_by_gauge : bool
        Whether a reading may keep in place what is due; False: it can only have it renewed sooner.
    """

    lives: LifeDraws
    visit_days: FloatArray
    every_n: IntArray
    planned_cost: FloatArray
    hard_limit_days: FloatArray
    blocking: Blocking
    kept_by_gauge: bool

    def take(self, rows: IndexArray) -> Stage:
        """Return some of the cartridges."""
        lives = self.lives
        own = lives.take(rows)
        return Stage(
            own, self.visit_days[rows], self.every_n[rows], self.planned_cost[rows],
            self.hard_limit_days[rows], self.blocking, self.kept_by_gauge,
        )  # fmt: skip

    @property
    def last_visit(self) -> IntArray:
        """Return the visit at which each cartridge is renewed whatever a gauge shows, shape (n,)."""
        longer = (self.every_n + 1) * self.visit_days <= self.hard_limit_days
        return self.every_n + (longer & self.kept_by_gauge)


@dataclass(frozen=True, slots=True, eq=False)
class Worth:
    """What reading is worth a year at each cartridge, draw by draw, each (n, D); below 0: it costs.

    Attributes
    ----------
    callouts : ndarray
        Call-outs fewer.
    renewals : ndarray
        Cartridges fewer.
    money : ndarray
        In the currency of the costs.
    """

    callouts: FloatArray
    renewals: FloatArray
    money: FloatArray


def drops_at_visits(stage: Stage) -> tuple[FloatArray, FloatArray]:
    """Return equally likely drops at the first to fourth visit after a renewal, and how often it is which.

    Returns
    -------
    drops : ndarray, shape (n, 4, 3)
        kPa, at the usual flow.
    often : ndarray, shape (n, 4)
        Adds up to 1; 0 for visits past the one at which the cartridge is renewed.
    """
    drops = np.zeros((stage.visit_days.size, MOST_VISITS, len(_THIRDS)))
    for start in range(0, stage.visit_days.size, _UNITS_AT_ONCE):
        rows = np.arange(start, min(start + _UNITS_AT_ONCE, stage.visit_days.size))
        own = stage.take(rows)
        edges = _edges(own.visit_days)
        chance = _chances(own.lives, edges).mean(axis=1)
        for visit in range(1, MOST_VISITS + 1):
            alive = chance[:, visit * _CELLS :]
            whole = np.maximum(alive.sum(axis=1, keepdims=True), 1e-300)
            ends = Ends(edges[:, visit * _CELLS :], alive / whole)
            for third, part in enumerate(_THIRDS):
                share = visit * own.visit_days / ends.quantile(part)
                drops[rows, visit - 1, third] = own.blocking.drop(share)
    often = (np.arange(MOST_VISITS) < stage.every_n[:, None]) / stage.every_n[:, None]
    return drops, often


def reading_worth(
    stage: Stage,
    *,
    callout_cost: float,
    other_kpa: FloatArray | None = None,
    other_often: FloatArray | None = None,
) -> Worth:
    """Return what two gauges across the line, read before the work of every visit, would be worth a year.

    Parameters
    ----------
    stage : Stage
    callout_cost : float
        The whole unplanned trip, before the part.
    other_kpa, other_often : ndarray, shape (n, situations, atoms) and (n, situations), optional
        What the other stage in line may add, see `drops_at_visits`; left out: it stands alone.
    """
    units, draws = stage.lives.location.shape
    if other_kpa is None or other_often is None:
        other_kpa, other_often = np.zeros((units, 1, 1)), np.ones((units, 1))
    found = np.zeros((2, units, draws))
    for start in range(0, units, _UNITS_AT_ONCE):
        rows = np.arange(start, min(start + _UNITS_AT_ONCE, units))
        found[:, rows] = _fewer(stage.take(rows), callout_cost, other_kpa[rows], other_often[rows])
    money = callout_cost * found[0] + stage.planned_cost[:, None] * found[1]
    return Worth(found[0], found[1], money)


def _fewer(stage: Stage, callout_cost: float, other_kpa: FloatArray, other_often: FloatArray) -> FloatArray:
    """Return call-outs and cartridges fewer a year, (2, n, D): choices without readings less those with."""
    edges = _edges(stage.visit_days)
    chance, ends = _chances(stage.lives, edges), _middles(edges)
    blind = _best_without(stage, chance, ends, callout_cost)
    spent, cycle = _renewed_at(blind, stage, chance, ends)
    met = chance / cycle[:, :, None]
    # what a day costs, and how often an end of life is met, go together from draw to draw
    cost = (stage.planned_cost[:, None] + callout_cost * spent) / cycle
    often, daily = met.mean(axis=1), np.einsum("udc,ud->uc", met, cost) / cycle.shape[1]
    kept, days = np.ones(ends.shape), np.zeros(ends.shape)
    for visit in range(1, int(stage.last_visit.max(initial=0)) + 1):
        alive = np.arange(ends.shape[1]) >= visit * _CELLS
        age = visit * stage.visit_days[:, None]
        until = (np.maximum(blind, visit + 1) * stage.visit_days)[:, None]
        more = callout_cost * often * (ends < until) - daily * (np.minimum(ends, until) - age)
        shown = _renewed(stage.blocking, age / ends, alive * kept * more, other_kpa, other_often)
        now = alive * np.where((visit >= stage.last_visit)[:, None], 1.0, shown)
        days += kept * now * age
        kept *= 1.0 - now
    with_spent, with_cycle = _per_cycle(chance, kept, days + kept * ends)
    return DAYS_PER_YEAR * np.stack([spent / cycle - with_spent / with_cycle, 1 / cycle - 1 / with_cycle])


def _best_without(stage: Stage, chance: FloatArray, ends: FloatArray, callout_cost: float) -> IntArray:
    """Return the visit at which it is best to renew without any reading, (n,); where a gauge must beat it."""
    visits = np.arange(1, MOST_VISITS + 2)
    cost = np.empty((visits.size, len(ends)))
    for row, visit in enumerate(visits):
        spent, cycle = _renewed_at(np.full(len(ends), visit), stage, chance, ends)
        cost[row] = ((stage.planned_cost[:, None] + callout_cost * spent) / cycle).mean(axis=1)
    best = visits[np.argmin(np.where(visits[:, None] <= stage.last_visit, cost, np.inf), axis=0)]
    return np.asarray(best, dtype=np.int64)


def _renewed_at(
    visit: IntArray, stage: Stage, chance: FloatArray, ends: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return call-outs and days from one fitting to the next where every cartridge is renewed at a visit."""
    until = (visit * stage.visit_days)[:, None]
    return _per_cycle(chance, ends < until, np.minimum(ends, until))


def _per_cycle(
    chance: FloatArray, spent: npt.NDArray[np.generic], days: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return call-outs and days from one fitting to the next, draw by draw, each (n, D)."""
    return (
        np.einsum("udc,uc->ud", chance, spent.astype(np.float64)),
        np.maximum(np.einsum("udc,uc->ud", chance, days), 1.0),
    )


def _renewed(
    blocking: Blocking, share: FloatArray, score: FloatArray, other_kpa: FloatArray, other_often: FloatArray
) -> FloatArray:
    """Return the chance that a reading has a cartridge renewed, for each end of its life, (n, cells).

    `score` is what keeping costs more than renewing, by end of life and how often that is met.
    """
    drop, unread = np.exp(_SHOWN), np.zeros(1, dtype=bool)
    own, found = blocking.drop(np.minimum(share, 1.0)), np.zeros(share.shape)
    for place in range(other_often.shape[1]):
        shows = np.zeros((*share.shape, drop.size))
        for atom in other_kpa[:, place].T:
            shows += blocking.density(drop, (own + atom[:, None])[:, :, None], unread)
        shows /= shows.sum(axis=2, keepdims=True)
        renewed = np.einsum("ucy,uc->uy", shows, score) > 0
        found += other_often[:, place, None] * np.einsum("ucy,uy->uc", shows, renewed)
    return found


def _edges(visit_days: FloatArray) -> FloatArray:
    """Return the edges of cells over the ends of life, log days, (n, cells + 1)."""
    most = MOST_VISITS + 1
    near = np.arange(1, most * _CELLS + 1) / _CELLS
    times = np.concatenate([near, most * _BEYOND])
    far = np.full((visit_days.size, 1), FOREVER)
    return np.hstack([-far, np.log(visit_days[:, None] * times), far])


def _middles(edges: FloatArray) -> FloatArray:
    """Return the age that stands for each cell, days; for the open one a little beyond its edge."""
    ages = np.exp(edges)
    ages[:, -1] = 1.5 * ages[:, -2]
    middles: FloatArray = 0.5 * (ages[:, :-1] + ages[:, 1:])
    return middles


def _chances(lives: LifeDraws, edges: FloatArray) -> FloatArray:
    """Return the chance of each cell for a cartridge just fitted, (n, D, cells)."""
    chance = np.empty((*lives.location.shape, edges.shape[1] - 1))
    for name in dict.fromkeys(lives.family):
        columns = np.flatnonzero(np.array(lives.family) == name)
        z = (edges[:, None, :] - lives.location[:, columns, None]) / lives.scale[columns][:, None]
        chance[:, columns] = end_chances(FAMILIES[name], z)
    return chance
