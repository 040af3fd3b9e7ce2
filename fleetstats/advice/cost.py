"""What one component costs per day when it is renewed at a given age, and the age that costs least."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetstats.errors import AdviceError
from fleetstats.quantities import FloatArray

#: Share still working at each age: ages (m,) -> (m,), or (draws, m) when there are several candidate lives.
Survival = Callable[[FloatArray], npt.ArrayLike]

#: Ages whose cost lies within this share of the lowest are called near-equal.
NEAR_EQUAL = 0.02
#: Ages at which the share still working is looked up: geometric from this share of the last one on, so that
#: a life far shorter than that, or one with an infinite slope at 0, is still resolved.
_FIRST_SHARE = 1e-9
_POINTS = 8193
#: Of these, so many are compared before the lowest cost is looked for between two of them.
_STEP = 32


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
    return _at_ages(_announced(planned, unplanned), survival, age)


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
    return _at_ages(_hidden(planned, per_hidden_day), survival, age)


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
    return _lowest(_announced(planned, unplanned), survival, ceiling)


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
    return _lowest(_hidden(planned, per_hidden_day), survival, ceiling)


#: Cost per day at ages (m,), from the share working then and the days lived up to it, (draws, m) each.
_Rate = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]


def _announced(planned: float, unplanned: float) -> _Rate:
    _refuse(planned=planned, unplanned=unplanned)
    return lambda age, share, lived: (planned * share + unplanned * (1.0 - share)) / lived


def _hidden(planned: float, per_hidden_day: float) -> _Rate:
    _refuse(planned=planned)
    _refuse(zero_too=True, per_hidden_day=per_hidden_day)
    return lambda age, share, lived: (planned + per_hidden_day * (age - lived)) / age


def _refuse(*, zero_too: bool = False, **values: float) -> None:
    accepted = "of 0 or more" if zero_too else "above 0"
    for name, value in values.items():
        if not (math.isfinite(value) and (value > 0 or (zero_too and value == 0))):
            raise AdviceError(
                f"{name}: found {value!r}; accepted is a finite number {accepted}; give such a number"
            )


def _at_ages(rate: _Rate, survival: Survival, age: npt.ArrayLike) -> FloatArray | float:
    ages = np.asarray(age, dtype=np.float64)
    wrong = ages[~(np.isfinite(ages) & (ages > 0))]
    if wrong.size:
        raise AdviceError(
            f"renewal age: found {wrong[0]!r}; accepted are finite days above 0; give such an age"
        )
    values, order = np.unique(ages, return_inverse=True)
    costs = _costs(rate, survival, values)[order]
    return float(costs.item()) if ages.ndim == 0 else costs.reshape(ages.shape)


def _costs(rate: _Rate, survival: Survival, ages: FloatArray) -> FloatArray:
    """Return the cost rate at each age (k,), in rising order, averaged over candidate lives."""
    from scipy.integrate import cumulative_simpson

    points = np.union1d(_points(ages[-1]), ages)
    share = np.atleast_2d(np.asarray(survival(points), dtype=np.float64))
    if share.ndim != 2 or share.shape[1] != len(points):
        raise AdviceError(
            f"survival: for {len(points)} ages it gave an array of shape {share.shape}; accepted is "
            "one share for each age, or (draws, ages); return such an array"
        )
    at = np.searchsorted(points, ages)
    # up to the first point, a billionth of the last, nothing is spent
    lived = points[0] + cumulative_simpson(share, x=points, initial=0.0)
    return np.asarray(rate(ages, share[:, at], lived[:, at]).mean(axis=0))


def _points(last: float) -> FloatArray:
    return np.geomspace(last * _FIRST_SHARE, last, _POINTS)


def _lowest(rate: _Rate, survival: Survival, ceiling: float) -> BestAge:
    from scipy.optimize import brentq, minimize_scalar

    _refuse(ceiling=ceiling)

    def cost(age: float, limit: float = 0.0) -> float:
        return float(_costs(rate, survival, np.array([age]))[0]) - limit

    ages = _points(ceiling)[::_STEP]
    costs = _costs(rate, survival, ages)
    at = int(np.argmin(costs))
    if costs[-1] <= costs[at] * (1.0 + 1e-9):  # cost only falls, or levels off: no finite optimum
        age, lowest = float(ages[-1]), float(costs[-1])
    else:
        around = ages[max(at - 1, 0)], ages[at + 1]
        found = minimize_scalar(cost, bounds=around, method="bounded", options={"xatol": 1e-10 * ages[at]})
        age, lowest = float(found.x), float(found.fun)
    limit = lowest * (1.0 + NEAR_EQUAL)
    before = np.flatnonzero((costs > limit) & (ages < age))
    after = np.flatnonzero((costs > limit) & (ages > age))
    low, high = float(ages[0]), float(ages[-1])
    if before.size:
        low = brentq(cost, ages[before[-1]], min(ages[before[-1] + 1], age), args=(limit,))
    if after.size:
        high = brentq(cost, max(ages[after[0] - 1], age), ages[after[0]], args=(limit,))
    return BestAge(age, lowest, min(low, age), max(high, age))
