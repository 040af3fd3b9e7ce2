"""The plan that full knowledge would choose: every visit interval and every n tried on the true story."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample.wear import CARBON
from tests.hidden_truth.policy import Costs, blocks, delays
from tests.hidden_truth.truth import STEP_DAYS, Paths, Truth, draw_paths
from tests.hidden_truth.visit_rule import DAYS_A_YEAR, simulate

#: How many of the cheapest visit intervals are priced again with the units' mutual effect.
_LOOKED_AGAIN = 4


@dataclass(frozen=True, slots=True)
class BestPolicy:
    """The cheapest plan of each home among all on the weekly grid.

    Attributes
    ----------
    visit_interval_days : array (n,)
    every_n : array (5, n)
    """

    visit_interval_days: IntArray
    every_n: IntArray


def best_known_policy(
    truth: Truth,
    *,
    costs: Costs,
    hard_limit_days: ArrayLike = np.inf,
    longest_interval_days: ArrayLike = np.inf,
    shortest_visit_days: int = 56,
    longest_visit_days: ArrayLike = 364,
    most_n: int = 4,
    years: float = 20.0,
    runs: int = 4,
    seed: int = 1,
) -> BestPolicy:
    """Return the best plan by full knowledge under the same limits and the same visit rule.

    Price it with `price_policy` under another seed than it was sought with: on the search's own weather the
    winner of a search looks better than it is.

    Parameters
    ----------
    hard_limit_days : array (5, n), (5, 1) or number
        Visit intervals longer than the strictest of a home's limits are left out, unless none is shorter.
    longest_interval_days : array (5, n), (5, 1) or number
        Intervals of a unit longer than this are left out as well, but never visits at the shortest interval;
        unlike a hard limit it does not bound the age that a unit reaches.
    longest_visit_days : array (n,) or number
    """
    n = len(truth.homes)
    hard, own = (_of_units(limit, n) for limit in (hard_limit_days, longest_interval_days))
    longest = np.minimum(
        np.broadcast_to(np.asarray(longest_visit_days, dtype=float), (n,)),
        np.where(truth.homes.has, hard, np.inf).min(axis=0),
    )
    grid = np.arange(
        -(-shortest_visit_days // STEP_DAYS), int(max(longest.max(), shortest_visit_days)) // STEP_DAYS + 1
    )
    interval, every_n = np.empty(n, np.int64), np.empty((5, n), np.int64)
    for block, sites in blocks(n):
        paths = draw_paths(truth.at(sites), years=years, runs=runs, seed=seed + 7919 * block)
        search = _Search(truth, sites, paths, hard, own, most_n, costs, runs)
        cost, chosen = search.all_intervals(grid)
        too_long = (grid[:, None] * STEP_DAYS > longest[None, sites]) & (np.arange(len(grid)) > 0)[:, None]
        best, every_n[:, sites] = search.look_again(grid, np.where(too_long, np.inf, cost), chosen)
        interval[sites] = grid[best] * STEP_DAYS
    return BestPolicy(interval, every_n)


def _of_units(limit: ArrayLike, n: int) -> FloatArray:
    days = np.asarray(limit, dtype=float)
    return np.broadcast_to(days[:, None] if days.ndim == 1 else days, (5, n))


@dataclass(frozen=True, slots=True)
class _Search:
    """The search at the homes of one block."""

    truth: Truth
    sites: IntArray
    paths: Paths
    hard: FloatArray
    own: FloatArray
    most_n: int
    costs: Costs
    runs: int

    def all_intervals(self, grid: IntArray) -> tuple[FloatArray, IntArray]:
        """Return the cost of the best plan at each visit interval, (grid, n), and its n, (grid, 5, n).

        Given the visit interval, each unit's n is chosen on its own, the carbon's as if the sediment
        cartridge ahead of it had the same one.
        """
        n = len(self.sites)
        cost, chosen = np.empty((len(grid), n)), np.empty((len(grid), 5, n), np.int64)
        each_n = np.broadcast_to(np.arange(1, self.most_n + 1), (5, 1, self.most_n))
        for place, steps in enumerate(grid):
            yearly = self._yearly(np.full(n, steps), each_n)
            yearly = np.where(self._too_long(np.full(n, steps), each_n, grid[0]), np.inf, yearly)
            chosen[place] = yearly.argmin(axis=2) + 1
            cost[place] = yearly.min(axis=2).sum(axis=0) + self._trips(steps)
        return cost, chosen

    def look_again(self, grid: IntArray, cost: FloatArray, chosen: IntArray) -> tuple[IntArray, IntArray]:
        """Return the best visit interval's place in the grid (n,) and the n of each unit (5, n).

        The few cheapest intervals are looked at again with the sediment cartridge at its own best n, which
        the carbon behind it feels.
        """
        columns = np.arange(len(self.sites))
        places = np.argsort(cost, axis=0, kind="stable")[:_LOOKED_AGAIN]
        totals, picked = [], []
        for place in places:
            own = chosen[place, :, columns].T
            tried = np.repeat(np.repeat(own, self.runs, axis=1)[:, :, None], self.most_n, axis=2)
            tried[CARBON] = np.arange(1, self.most_n + 1)
            yearly = self._yearly(grid[place], tried)
            one_run = tried[:, :: self.runs]
            yearly = np.where(self._too_long(grid[place], one_run, grid[0]), np.inf, yearly)
            own[CARBON] = yearly[CARBON].argmin(axis=1) + 1
            total = np.take_along_axis(yearly, own[:, :, None] - 1, axis=2)[:, :, 0].sum(axis=0)
            totals.append(
                np.where(np.isfinite(cost[place, columns]), total + self._trips(grid[place]), np.inf)
            )
            picked.append(own)
        best = np.stack(totals).argmin(axis=0)
        return places[best, columns], np.stack(picked)[best, :, columns].T

    def _too_long(self, steps: IntArray, every_n: IntArray, shortest: int) -> BoolArray:
        """Return which intervals pass what a unit may have, (5, n, plans); every shortest visit may."""
        days = (steps * STEP_DAYS)[None, :, None] * every_n
        least = (steps == shortest)[None, :, None] & (every_n == 1)
        return np.asarray((days > self.own[:, self.sites][:, :, None]) & ~least)

    def _trips(self, steps: IntArray | int) -> FloatArray:
        return np.asarray(self.costs.trip * DAYS_A_YEAR / (steps * STEP_DAYS))

    def _yearly(self, steps: IntArray, every_n: IntArray) -> FloatArray:
        """Return the cost of each unit a year, trips apart, (5, n, plans), over the runs."""
        rows = np.repeat(self.sites, self.runs)
        counts = simulate(
            self.paths,
            interval_steps=np.repeat(steps, self.runs)[:, None],
            every_n=every_n,
            hard_limit_days=self.hard[:, rows][:, :, None],
            has=self.truth.homes.has[:, rows],
            delay_days=delays(self.truth)[:, rows],
        )
        costs = self.costs
        renewals = costs.renewal[:, None, None] * (counts.planned + counts.unplanned)
        total = renewals + costs.callout * counts.unplanned + costs.hidden_day * counts.hidden_days
        yearly: FloatArray = total.reshape(5, len(self.sites), self.runs, -1).mean(axis=2) / counts.years
        return yearly
