"""The renewal function: how many renewals a component has had by a given time, on average."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from fleetstats.errors import StockError
from fleetstats.quantities import FloatArray

Survival = Callable[[FloatArray], FloatArray]

_FIRST_STEPS = 256
_MOST_STEPS = 16_384
_CHANGE_WANTED = 1e-9
_CHANGE_ACCEPTED = 1e-4
#: A step holding more of the lives than this cannot carry the extrapolation.
_MOST_IN_A_STEP = 0.1


def renewals(survival: Survival, times: ArrayLike) -> FloatArray | float:
    """Return the expected number of renewals by each time, a new component going in at time 0.

    Solves M(t) = F(t) + integral_0^t M(t - x) dF(x) on a grid that is halved until the extrapolated
    answer stands still. The integral is of the Riemann-Stieltjes kind: it takes the distribution F
    itself, so a density that is infinite at 0 (lives with many early failures) does no harm.

    Parameters
    ----------
    survival : callable
        Takes an array of ages (m,) from 0 up and returns the share still working (m,), 1 at age 0,
        never rising, without jumps.
    times : float or array_like (k,)
        Times of at least 0, in the unit of the ages.

    Returns
    -------
    float or numpy.ndarray (k,)
        M at each time, 0 at time 0.

    Raises
    ------
    StockError
        If a time is negative or not finite, if `survival` is no survival curve, or if it jumps (or the
        times reach so many lives ahead) that no grid resolves it.

    References
    ----------
    Xie 1989, Communications in Statistics - Simulation and Computation 18:281 (Riemann-Stieltjes sums);
    Tijms 2003, A First Course in Stochastic Models, section 8.1.
    """
    wanted = _checked_times(times)
    counts = _halve_until_still(survival, wanted) if wanted.any() else np.zeros(wanted.shape)
    return counts if np.ndim(times) else float(counts[0])


def _halve_until_still(survival: Survival, wanted: FloatArray) -> FloatArray:
    end = float(wanted.max())
    coarse = _solve(survival, wanted, end, _FIRST_STEPS)[0]
    answer, change, steps = coarse, np.inf, _FIRST_STEPS
    while steps < _MOST_STEPS and not change <= _CHANGE_WANTED:
        steps *= 2
        fine, largest = _solve(survival, wanted, end, steps)
        better = (4.0 * fine - coarse) / 3.0  # the error falls with the square of the step
        moved = float(np.max(np.abs(better - answer) / (1.0 + better)))
        change = moved if largest <= _MOST_IN_A_STEP else np.inf
        coarse, answer = fine, better
    if change > _CHANGE_ACCEPTED:
        raise StockError(
            f"renewals: no grid of {_MOST_STEPS} steps resolves this survival curve up to {end:g}; accepted "
            "is a curve without jumps and times of at most some hundred lives; smooth the curve or ask for "
            "earlier times"
        )
    return np.maximum(answer, 0.0)


def _checked_times(times: ArrayLike) -> FloatArray:
    try:
        wanted = np.atleast_1d(np.asarray(times, dtype=np.float64))
    except (TypeError, ValueError):
        raise StockError(f"renewals: times are {times!r}; accepted are numbers of 0 or more") from None
    if wanted.ndim != 1:
        raise StockError(f"renewals: times have shape {wanted.shape}; accepted is one row of numbers")
    wrong = ~(np.isfinite(wanted) & (wanted >= 0.0))
    if wrong.any():
        place = int(np.argmax(wrong))
        raise StockError(
            f"renewals: time {place} is {wanted[place]}; accepted are finite numbers of 0 or more; leave it "
            "out"
        )
    return wanted


def _solve(survival: Survival, wanted: FloatArray, end: float, steps: int) -> tuple[FloatArray, float]:
    """Return M at the wanted times from a grid of `steps`, and the largest share of lives in one step."""
    from scipy.interpolate import CubicSpline
    from scipy.signal import lfilter

    grid = np.linspace(0.0, end, steps + 1)
    spent = 1.0 - _checked_survival(survival, grid)
    mass = np.diff(spent)
    # Each step's mass meets the mean of M over the step: M[i] = F[i] + sum_k weight[k] M[i-k].
    weight = (np.append(0.0, mass) + np.append(mass, 0.0)) / 2.0
    count = lfilter([1.0], np.append(1.0 - weight[0], -weight[1:]), spent)
    # F itself is known everywhere; only the smoother rest, renewals after the first, is interpolated.
    first = 1.0 - _checked_survival(survival, wanted)
    return first + CubicSpline(grid, count - spent)(wanted), float(mass.max())


def _checked_survival(survival: Survival, ages: FloatArray) -> FloatArray:
    share = np.asarray(survival(ages), dtype=np.float64)
    if share.shape != ages.shape:
        raise StockError(
            f"renewals: survival gave shape {share.shape} for ages of shape {ages.shape}; accepted is one "
            "share for each age"
        )
    inside = bool(np.all((share >= -1e-12) & (share <= 1.0 + 1e-12)))
    falling = bool(np.all(np.diff(share[np.argsort(ages, kind="stable")]) <= 1e-12))
    at_start = share[ages == 0.0]
    if not (inside and falling and np.all(np.abs(at_start - 1.0) <= 1e-9)):
        raise StockError(
            f"renewals: survival runs from {share.flat[0]:g} to {share.flat[-1]:g}; accepted is a curve "
            "that is 1 at age 0, never rises and stays between 0 and 1"
        )
    return share
