"""Newton's method to the top of a log-likelihood, and what the curvature there says of each parameter."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fleetstats.quantities import FloatArray

Objective = Callable[[FloatArray], tuple[float, FloatArray, FloatArray]]


@dataclass(frozen=True, slots=True)
class Top:
    """Where Newton's method ended.

    Attributes
    ----------
    theta : ndarray, shape (q,)
    value : float
    gradient : ndarray, shape (q,)
    hessian : ndarray, shape (q, q)
    settled : bool
        False if the steps ran out, or no step led upwards, well before the gradient vanished.
    """

    theta: FloatArray
    value: float
    gradient: FloatArray
    hessian: FloatArray
    settled: bool


def newton(
    objective: Objective,
    start: FloatArray,
    longest_step: FloatArray,
    *,
    stop: Callable[[FloatArray], bool] = lambda theta: False,
    tolerance: float = 1e-18,
    most_steps: int = 60,
) -> Top:
    """Return the nearest maximum uphill of `start`.

    Parameters
    ----------
    objective : callable
        theta -> value, gradient, Hessian; a value of -inf or nan is a place that cannot be.
    start : ndarray, shape (q,)
    longest_step : ndarray, shape (q,)
        Trust region: no parameter moves further in one step.
    stop : callable
        Ends it early where it is true of theta (a boundary is reached).
    tolerance : float
        On the Newton decrement g' H^-1 g, the squared distance to the top in standard errors.
    """
    theta = start.copy()
    value, gradient, hessian = objective(theta)
    flat_steps = 0
    for _ in range(most_steps):
        step = _newton_step(gradient, hessian, longest_step)
        rise = float(gradient @ step)
        if rise <= tolerance:
            return Top(theta, value, gradient, hessian, True)
        for halving in range(12):
            trial = theta + step * 0.5**halving
            found, slope, curve = objective(trial)
            # the slack is the rounding of a sum of logarithms and the error of the quadrature
            if np.isfinite(found) and found >= value - 1e-9 * (1 + abs(value)):
                break
        else:
            # where the quadrature's error hides the last bit of the way, a tenth of a standard error will do
            return Top(theta, value, gradient, hessian, rise < 1e-2)
        # steps without a top (a level in which nothing failed) rise for ever, ever more slowly
        flat_steps = flat_steps + 1 if found - value < 1e-11 * (1 + abs(value)) else 0
        theta, value, gradient, hessian = trial, found, slope, curve
        if flat_steps >= 3:
            return Top(theta, value, gradient, hessian, True)
        if stop(theta):
            return Top(theta, value, gradient, hessian, True)
    return Top(theta, value, gradient, hessian, False)


def curvature(
    hessian: FloatArray, *, replication: float = 1.0, widest: float = 30.0
) -> tuple[FloatArray, FloatArray]:
    """Return the covariance at a maximum, and the directions that the data leave open.

    Parameters
    ----------
    hessian : ndarray, shape (q, q)
    replication : float
        Average weight of a row; below 1 it makes every standard error larger without meaning anything.
    widest : float
        A standard error beyond it (e^30 in time) means that nothing is known.

    Returns
    -------
    covariance : ndarray, shape (q, q)
        Inverse of the negative Hessian over the directions that are determined.
    open_directions : ndarray, shape (q, directions)
        Unit vectors along which the data say nothing.
    """
    eigenvalues, vectors = np.linalg.eigh(-hessian)
    least = max(min(1.0, replication) * widest**-2, 1e-15 * float(eigenvalues.max(initial=0.0)))
    determined = eigenvalues >= least
    inverse = np.where(determined, 1 / np.where(determined, eigenvalues, 1.0), 0.0)
    return (vectors * inverse) @ vectors.T, vectors[:, ~determined]


def _newton_step(gradient: FloatArray, hessian: FloatArray, longest_step: FloatArray) -> FloatArray:
    """Return the step to the top of the local parabola, uphill and within the trust region.

    Along a direction that curves the wrong way the length of a Newton step means nothing: three times it
    is taken, up to the trust region.
    """
    size = np.abs(np.diag(hessian))
    scale = np.sqrt(np.where(size > 0, size, 1.0))
    eigenvalues, vectors = np.linalg.eigh(-hessian / np.outer(scale, scale))
    bent = np.where(eigenvalues > 0, eigenvalues, -eigenvalues / 3)
    along = vectors.T @ (gradient / scale) / np.maximum(bent, 1e-10)
    step = vectors @ along / scale
    return step / max(1.0, float(np.max(np.abs(step) / longest_step)))
