"""What one component costs per day when it is renewed at a given age, and the age that costs least."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

from fleetstats.errors import AdviceError
from fleetstats.quantities import FloatArray

#: Share still working at each age: ages (m,) -> (m,), or (draws, m) when there are several candidate lives.
Survival = Callable[[FloatArray], npt.ArrayLike]

#: Ages whose cost lies within this share of the lowest are called near-equal.
NEAR_EQUAL = 0.02
#: Panels are geometric, so a life far shorter than the age, or with an infinite slope at 0, is still
#: resolved.
_PANELS_PER_AGE = 240
_FIRST_SHARE = 1e-9
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


@dataclass(frozen=True, slots=True)
class BestAge:
    """The renewal age that costs least, and the ages that cost nearly as little.

    Attributes
    ----------
    age_days : float
        Age of least cost; the ceiling where cost only falls with age.
    cost_per_day : float
        Cost per day at that age.
    low_days, high_days : float
        First and last age around it whose cost lies within 2 % of the lowest.
    """

    age_days: float
    cost_per_day: float
    low_days: float
    high_days: float


def age_cost(survival: Survival, age: npt.ArrayLike, planned: float, unplanned: float) -> FloatArray | float:
    """Return the long-run cost per day of renewing at `age` what announces its failure.

    Parameters
    ----------
    survival : callable
        Share still working: ages (m,) in days -> (m,). It may return (draws, m), one row for each
        candidate life; the cost RATE is then averaged over the rows, because a site keeps its life
        through all its renewals.
    age : float or array (k,)
        Renewal age, days, above 0.
    planned, unplanned : float
        Cost of a planned renewal and of a failure, money.

    Returns
    -------
    float or array (k,)
        Money per day.

    Raises
    ------
    AdviceError
        If a cost is not above 0 or an age is not above 0 and finite.

    References
    ----------
    Barlow, R. and Hunter, L. (1960). Optimum preventive maintenance policies. Operations Research 8, 90-100.
    """
    _refuse_costs(planned=planned, unplanned=unplanned)
    return _at_ages(partial(_announced_rate, planned=planned, unplanned=unplanned), survival, age)


def hidden_cost(
    survival: Survival, age: npt.ArrayLike, planned: float, per_hidden_day: float
) -> FloatArray | float:
    """Return the long-run cost per day of renewing at `age` what fails unseen.

    Parameters
    ----------
    survival : callable
        As in `age_cost`.
    age : float or array (k,)
        Renewal age, days, above 0.
    planned : float
        Cost of a renewal, money.
    per_hidden_day : float
        Cost of each day spent unseen, money; 0 is allowed.

    Returns
    -------
    float or array (k,)
        Money per day.

    Raises
    ------
    AdviceError
        If `planned` is not above 0, `per_hidden_day` is below 0, or an age is not above 0 and finite.
    """
    _refuse_costs(planned=planned)
    _refuse_negative(per_hidden_day=per_hidden_day)
    return _at_ages(partial(_hidden_rate, planned=planned, per_hidden_day=per_hidden_day), survival, age)


def best_age(survival: Survival, planned: float, unplanned: float, ceiling: float) -> BestAge:
    """Return the renewal age, up to `ceiling` days, that costs least when failure announces itself.

    Parameters
    ----------
    survival, planned, unplanned
        As in `age_cost`.
    ceiling : float
        Longest age considered, days; it is the answer where no finite age is best.

    Raises
    ------
    AdviceError
        As `age_cost`, and if `ceiling` is not above 0 and finite.
    """
    _refuse_costs(planned=planned, unplanned=unplanned, ceiling=ceiling)
    return _lowest(partial(_announced_rate, planned=planned, unplanned=unplanned), survival, ceiling)


def best_hidden_age(survival: Survival, planned: float, per_hidden_day: float, ceiling: float) -> BestAge:
    """Return the renewal age, up to `ceiling` days, that costs least when failure stays unseen.

    Parameters
    ----------
    survival, planned, per_hidden_day
        As in `hidden_cost`.
    ceiling : float
        Longest age considered, days; it is the answer where no finite age is best.

    Raises
    ------
    AdviceError
        As `hidden_cost`, and if `ceiling` is not above 0 and finite.
    """
    _refuse_costs(planned=planned, ceiling=ceiling)
    _refuse_negative(per_hidden_day=per_hidden_day)
    return _lowest(partial(_hidden_rate, planned=planned, per_hidden_day=per_hidden_day), survival, ceiling)


# -- the two cost rates: share working at the age and days lived up to it -> money per day -------------

_Rate = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]


def _announced_rate(
    age: FloatArray, share: FloatArray, lived: FloatArray, *, planned: float, unplanned: float
) -> FloatArray:
    del age
    return (planned * share + unplanned * (1.0 - share)) / lived


def _hidden_rate(
    age: FloatArray, share: FloatArray, lived: FloatArray, *, planned: float, per_hidden_day: float
) -> FloatArray:
    del share
    return (planned + per_hidden_day * (age - lived)) / age


def _at_ages(rate: _Rate, survival: Survival, age: npt.ArrayLike) -> FloatArray | float:
    ages = np.asarray(age, dtype=np.float64)
    flat = np.atleast_1d(ages).ravel()
    if not np.all(np.isfinite(flat) & (flat > 0)):
        bad = flat[~(np.isfinite(flat) & (flat > 0))][0]
        raise AdviceError(f"renewal age: found {bad!r}; accepted are finite days above 0; give such an age")
    values, order = np.unique(flat, return_inverse=True)
    edges = np.union1d(_panel_edges(float(values[-1])), values)
    costs = _rates_at(rate, survival, edges)[np.searchsorted(edges, values)][order]
    return float(costs[0]) if ages.ndim == 0 else costs.reshape(ages.shape)


def _panel_edges(last: float) -> FloatArray:
    return np.geomspace(last * _FIRST_SHARE, last, _PANELS_PER_AGE + 1)


def _rates_at(
    rate: _Rate,
    survival: Survival,
    edges: FloatArray,
    start: float = 0.0,
    lived_to_start: FloatArray | float = 0.0,
) -> FloatArray:
    """Return the cost rate at each edge (m,), averaged over candidate lives; integrates from `start` on."""
    share, lived = _share_and_lived(survival, edges, start, lived_to_start)
    return np.asarray(rate(edges, share, lived).mean(axis=0))


def _share_and_lived(
    survival: Survival, edges: FloatArray, start: float, lived_to_start: FloatArray | float
) -> tuple[FloatArray, FloatArray]:
    """Return S at the edges and the integral of S from 0 to them, both (draws, m)."""
    left = np.concatenate([[start], edges[:-1]])
    half = (edges - left) / 2.0
    nodes = left[:, None] + half[:, None] * (1.0 + _NODES)
    inside = _survival_rows(survival, nodes.ravel()).reshape(-1, *nodes.shape)
    lived = np.cumsum((inside @ _WEIGHTS) * half, axis=1) + np.asarray(lived_to_start).reshape(-1, 1)
    return _survival_rows(survival, edges), lived


def _survival_rows(survival: Survival, ages: FloatArray) -> FloatArray:
    share = np.atleast_2d(np.asarray(survival(ages), dtype=np.float64))
    if share.ndim != 2 or share.shape[1] != len(ages):
        raise AdviceError(
            f"survival: for {len(ages)} ages it gave an array of shape {share.shape}; accepted is "
            "one share for each age, or (draws, ages); return such an array"
        )
    return share


def _lowest(rate: _Rate, survival: Survival, ceiling: float) -> BestAge:
    edges = _panel_edges(ceiling)
    share, lived = _share_and_lived(survival, edges, 0.0, 0.0)
    costs = rate(edges, share, lived).mean(axis=0)
    at = int(np.argmin(costs))
    if costs[-1] <= costs[at] * (1.0 + 1e-9):  # cost only falls, or levels off: no finite optimum
        at = len(edges) - 1
    age, lowest = float(edges[at]), float(costs[at])
    if at < len(edges) - 1:
        low = max(at - 1, 0)
        age, lowest = _zoom(rate, survival, edges[low], edges[at + 1], lived[:, low])
    limit = lowest * (1.0 + NEAR_EQUAL)
    return BestAge(age, lowest, *_near_equal_ages(rate, survival, edges, costs, lived, age, limit))


def _zoom(
    rate: _Rate, survival: Survival, low: float, high: float, lived_to_low: FloatArray
) -> tuple[float, float]:
    """Return age and cost of the minimum between two ages, by finer and finer grids."""
    for _ in range(7):
        grid = np.linspace(low, high, 33)[1:]
        share, lived = _share_and_lived(survival, grid, low, lived_to_low)
        costs = rate(grid, share, lived).mean(axis=0)
        at = int(np.argmin(costs))
        age, lowest = float(grid[at]), float(costs[at])
        if at >= 2:
            low, lived_to_low = float(grid[at - 2]), lived[:, at - 2]
        high = float(grid[min(at + 1, len(grid) - 1)])
    return age, lowest


def _near_equal_ages(
    rate: _Rate,
    survival: Survival,
    edges: FloatArray,
    costs: FloatArray,
    lived: FloatArray,
    age: float,
    limit: float,
) -> tuple[float, float]:
    """Return the first and last age of the unbroken stretch around `age` that costs at most `limit`."""
    dear_before = np.flatnonzero((costs > limit) & (edges < age))
    dear_after = np.flatnonzero((costs > limit) & (edges > age))
    low, high = float(edges[0]), float(edges[-1])
    if len(dear_before):
        low = _crossing(rate, survival, edges, lived, int(dear_before[-1]), limit)
    if len(dear_after):
        high = _crossing(rate, survival, edges, lived, int(dear_after[0]) - 1, limit)
    return min(low, age), max(high, age)


def _crossing(
    rate: _Rate, survival: Survival, edges: FloatArray, lived: FloatArray, left: int, limit: float
) -> float:
    """Return where the cost crosses `limit` between edges `left` and `left + 1`."""
    grid = np.linspace(edges[left], edges[left + 1], 257)[1:]
    share, so_far = _share_and_lived(survival, grid, float(edges[left]), lived[:, left])
    over = rate(grid, share, so_far).mean(axis=0) - limit
    change = np.flatnonzero(np.signbit(over[:-1]) != np.signbit(over[1:]))
    if not len(change):
        return float(grid[0] if abs(over[0]) < abs(over[-1]) else grid[-1])
    at = int(change[0])
    return float(grid[at] + (grid[at + 1] - grid[at]) * over[at] / (over[at] - over[at + 1]))


def _refuse_costs(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise AdviceError(
                f"{name}: found {value!r}; accepted is a finite number above 0; give such a number"
            )


def _refuse_negative(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value >= 0):
            raise AdviceError(
                f"{name}: found {value!r}; accepted is a finite number of 0 or more; give such a number"
            )
