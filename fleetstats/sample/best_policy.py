"""The plan that full knowledge would choose: every visit interval and every n tried on the true story."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fleetstats.sample.policy import blocks, delays
from fleetstats.sample.truth import STEP_DAYS, draw_paths
from fleetstats.sample.visit_rule import DAYS_A_YEAR, simulate

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from fleetstats.sample.policy import Costs
    from fleetstats.sample.truth import Paths, Truth
    from fleetstats.sample.wear import Array, Codes


@dataclass(frozen=True, slots=True)
class BestPolicy:
    """The cheapest plan of each home among all on the weekly grid.

    Attributes
    ----------
    visit_interval_days : array (n,)
    every_n : array (5, n)
    """

    visit_interval_days: Codes
    every_n: Codes


def best_known_policy(
    truth: Truth,
    *,
    costs: Costs,
    hard_limit_days: ArrayLike = np.inf,
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
    longest_visit_days : array (n,) or number
    """
    n = len(truth.homes)
    hard = np.asarray(hard_limit_days, dtype=float)
    hard = np.broadcast_to(hard[:, None] if hard.ndim == 1 else hard, (5, n))
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
        cost, chosen = _search(
            truth, sites, paths, grid=grid, hard=hard, most_n=most_n, costs=costs, runs=runs
        )
        too_long = (grid[:, None] * STEP_DAYS > longest[None, sites]) & (np.arange(len(grid)) > 0)[:, None]
        best = np.where(too_long, np.inf, cost).argmin(axis=0)
        interval[sites] = grid[best] * STEP_DAYS
        every_n[:, sites] = chosen[best, :, np.arange(len(sites))].T
    return BestPolicy(interval, every_n)


def _search(
    truth: Truth,
    sites: Codes,
    paths: Paths,
    *,
    grid: Codes,
    hard: Array,
    most_n: int,
    costs: Costs,
    runs: int,
) -> tuple[Array, Codes]:
    """Return the cost of the best plan at each visit interval, (grid, n), and its n per unit, (grid, 5, n).

    Given the visit interval, the units do not touch each other's cost: each one's n is chosen on its own.
    """
    rows = np.repeat(sites, runs)
    cost, chosen = np.empty((len(grid), len(sites))), np.empty((len(grid), 5, len(sites)), np.int64)
    each_n = np.broadcast_to(np.arange(1, most_n + 1), (5, 1, most_n))
    for place, steps in enumerate(grid):
        counts = simulate(
            paths,
            interval_steps=np.full((len(rows), 1), steps),
            every_n=each_n,
            hard_limit_days=hard[:, rows][:, :, None],
            has=truth.homes.has[:, rows],
            delay_days=delays(truth)[:, rows],
        )
        renewals = costs.renewal[:, None, None] * (counts.planned + counts.unplanned)
        total = renewals + costs.callout * counts.unplanned + costs.hidden_day * counts.hidden_days
        yearly = total.reshape(5, len(sites), runs, most_n).mean(axis=2) / counts.years
        chosen[place] = yearly.argmin(axis=2) + 1
        cost[place] = yearly.min(axis=2).sum(axis=0) + costs.trip * DAYS_A_YEAR / (steps * STEP_DAYS)
    return cost, chosen
