"""The scale a fit works on, where units do not matter: log ages about 0, numbers standardised."""

from dataclasses import dataclass

import numpy as np

from fleetstats.life.lifetimes import Lifetimes
from fleetstats.quantities import BoolArray, FloatArray


@dataclass(frozen=True, slots=True)
class Scaling:
    """How the given scale and that of the fit relate.

    Attributes
    ----------
    centre : float
        Log days taken off every log age.
    spread : float
        Standard deviation of the log ages, where a first sigma may start.
    design : ndarray, shape (n, terms + 1)
        Intercept and covariates about their means, numbers divided by their standard deviation.
    scale : ndarray, shape (terms,)
        What each covariate was divided by; 1 for dummies.
    constant : ndarray of bool, shape (terms,)
        Covariates with one value only, of which the lives can tell nothing.
    to_given : ndarray, shape (terms + 1, terms + 1)
        Turns coefficients of the fit into those of the given scale, `centre` apart.
    """

    centre: float
    spread: float
    design: FloatArray
    scale: FloatArray
    constant: BoolArray
    to_given: FloatArray


def learn_scaling(lives: Lifetimes) -> Scaling:
    """Return the scale for these lives; replication counts, the order of rows does not."""
    share = lives.weight / lives.weight.sum()
    middle = np.where(lives.right_censored, lives.lower, 0.5 * (lives.lower + lives.upper))
    log_age = np.log(middle)
    centre = float(share @ log_age)
    spread = float(np.sqrt(share @ (log_age - centre) ** 2))
    mean = share @ lives.design
    about = lives.design - mean
    deviation = np.sqrt(share @ about**2)
    constant = deviation <= 1e-9 * np.maximum(np.abs(mean), 1e-300)
    about[:, constant] = 0.0
    scale = np.where(constant | ~np.array(lives.coding.is_number(), dtype=bool), 1.0, deviation)
    to_given = np.diag(np.append(1.0, 1 / scale))
    to_given[0, 1:] = -mean / scale
    return Scaling(
        centre=centre,
        spread=max(spread, 0.05),
        design=np.column_stack([np.ones(len(lives)), about / scale]),
        scale=scale,
        constant=constant,
        to_given=to_given,
    )
