"""The price of a service plan against the truth: simulated over years to come under the visit rule."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleetstats.errors import FleetstatsError
from fleetstats.quantities import FloatArray, IntArray
from fleetstats.sample.wear import LAMP
from tests.hidden_truth.truth import STEP_DAYS, Truth, draw_paths
from tests.hidden_truth.visit_rule import DAYS_A_YEAR, Counts, simulate

_BLOCK: Final = 200  # homes simulated together, so that a large fleet fits into memory
_RESPONSE_DAYS: Final = 2.0  # from the household's call to the technician


@dataclass(frozen=True, slots=True)
class Costs:
    """What things cost; arrays over the five units (sediment, second sediment, carbon, lamp, sleeve).

    Attributes
    ----------
    trip : float
        A planned visit, before parts.
    callout : float
        A whole unplanned trip, before the part.
    renewal : array (5,)
        Part and labour of one renewal (a sleeve's cleaning), planned or at a call-out.
    hidden_day : float
        A day with a scaled sleeve that nobody knows of.
    """

    trip: float
    callout: float
    renewal: FloatArray
    hidden_day: float


@dataclass(frozen=True, slots=True)
class PricedPolicy:
    """Long-run price of one plan at each home, per year.

    Attributes
    ----------
    cost_per_year, trips_per_year, callouts_per_year, hidden_days_per_year : array (n,)
    renewals_per_year : array (5, n)
    cost_by_run : array (n, runs)
        The repeats apart: their spread tells how sure the mean is.
    """

    cost_per_year: FloatArray
    trips_per_year: FloatArray
    callouts_per_year: FloatArray
    hidden_days_per_year: FloatArray
    renewals_per_year: FloatArray
    cost_by_run: FloatArray


def price_policy(
    truth: Truth,
    *,
    visit_interval_days: ArrayLike,
    every_n: ArrayLike,
    costs: Costs,
    hard_limit_days: ArrayLike = np.inf,
    years: float = 20.0,
    runs: int = 4,
    seed: int = 0,
) -> PricedPolicy:
    """Return what a plan really costs at each home in the long run, the homes as they stand at the end.

    Policies priced with the same seed, years and runs meet the same weather and the same units.

    Parameters
    ----------
    visit_interval_days : array (n,) or number
        Multiples of seven days.
    every_n : array (5, n), (5, 1) or (5,)
        Each unit's interval as every n-th visit.
    hard_limit_days : array (5, n), (5, 1) or number
        Age that no unit may pass at a visit; inf for none.

    Raises
    ------
    FleetstatsError
        If a visit interval is not a positive multiple of seven days, or an n is below 1.
    """
    n = len(truth.homes)
    interval = np.broadcast_to(np.asarray(visit_interval_days, dtype=float), (n,))
    nth = np.broadcast_to(_upright(every_n), (5, n))
    hard = np.broadcast_to(_upright(hard_limit_days), (5, n))
    _check(interval, nth)
    parts = []
    for block, sites in blocks(n):
        rows = np.repeat(sites, runs)
        counts = simulate(
            draw_paths(truth.at(sites), years=years, runs=runs, seed=seed + 7919 * block),
            interval_steps=np.rint(interval[rows] / STEP_DAYS).astype(np.int64)[:, None],
            every_n=nth[:, rows].astype(np.int64)[:, :, None],
            hard_limit_days=hard[:, rows][:, :, None],
            has=truth.homes.has[:, rows],
            delay_days=delays(truth)[:, rows],
        )
        parts.append(_yearly(counts, runs))
    planned, unplanned, hidden, callouts = (np.concatenate(p, axis=-2) for p in zip(*parts, strict=True))
    trips = DAYS_A_YEAR / interval
    by_run = trips[:, None] * costs.trip + callouts * costs.callout + hidden.sum(axis=0) * costs.hidden_day
    by_run = by_run + np.tensordot(costs.renewal, planned + unplanned, axes=1)
    return PricedPolicy(
        cost_per_year=by_run.mean(axis=1),
        trips_per_year=trips,
        callouts_per_year=callouts.mean(axis=1),
        hidden_days_per_year=hidden.sum(axis=0).mean(axis=1),
        renewals_per_year=(planned + unplanned).mean(axis=2),
        cost_by_run=by_run,
    )


def delays(truth: Truth) -> FloatArray:
    """Return the days from a unit's end to its renewal at the call-out, array (5, n)."""
    delay = np.broadcast_to(truth.notice_days + 1 + _RESPONSE_DAYS, (5, len(truth.homes))).copy()
    delay[LAMP] = 1 + _RESPONSE_DAYS  # an alarm sounds at once
    return delay


def blocks(n: int) -> Iterator[tuple[int, IntArray]]:
    """Yield the number and the indices of blocks of homes that are simulated together."""
    for number, first in enumerate(range(0, n, _BLOCK)):
        yield number, np.arange(first, min(first + _BLOCK, n))


def _yearly(counts: Counts, runs: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return counts per year with the repeats as last axis: (5, n, runs) three times and (n, runs)."""
    shape = (5, -1, runs)
    return (
        counts.planned.reshape(shape) / counts.years,
        counts.unplanned.reshape(shape) / counts.years,
        counts.hidden_days.reshape(shape) / counts.years,
        counts.callout_trips.reshape(-1, runs) / counts.years,
    )


def _upright(values: ArrayLike) -> FloatArray:
    """Return values over units as a column, numbers and full tables as they are."""
    array = np.asarray(values, dtype=float)
    return array[:, None] if array.ndim == 1 else array


def _check(interval: FloatArray, every_n: FloatArray) -> None:
    bad = (interval < STEP_DAYS) | (interval % STEP_DAYS != 0)
    if bad.any():
        raise FleetstatsError(
            f"price_policy: found a visit interval of {interval[bad][0]:g} days; accepted are multiples of "
            f"{STEP_DAYS} days; round it to whole weeks"
        )
    if (every_n < 1).any():
        raise FleetstatsError(
            f"price_policy: found every_n {every_n.min():g}; accepted is 1 and up; "
            "give the n of every n-th visit"
        )
