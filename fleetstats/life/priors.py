"""Weakly informative priors of the life model, and how they read on the scale the fit works on."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import numpy as np

from fleetstats.errors import LifeError

# A zero-centred prior would say that use does not matter; -1 would say that life is spent in litres alone.
DAILY_USE: Final[Mapping[str, tuple[float, float]]] = MappingProxyType({"log_daily_litres": (-0.7, 0.4)})


@dataclass(frozen=True, slots=True)
class Priors:
    """Independent normal priors, each a pair (mean, standard deviation).

    Attributes
    ----------
    intercept : tuple of float
        Log days: the location of a unit with average covariates.
    coefficient : tuple of float
        Of every factor level (against the first) and of every number, the latter per standard deviation.
    log_sigma, log_tau : tuple of float
    by_term : mapping of str to tuple of float
        Terms with a prior of their own, per unit of the number as given (unscaled).

    Raises
    ------
    LifeError
        If a mean is not finite or a standard deviation not above 0.
    """

    intercept: tuple[float, float]
    coefficient: tuple[float, float] = (0.0, 0.5)
    log_sigma: tuple[float, float] = (float(np.log(0.4)), 0.35)
    log_tau: tuple[float, float] = (float(np.log(0.4)), 0.5)
    by_term: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        named = {name: getattr(self, name) for name in ("intercept", "coefficient", "log_sigma", "log_tau")}
        for name, (mean, deviation) in {**named, **self.by_term}.items():
            if not (np.isfinite(mean) and np.isfinite(deviation) and deviation > 0):
                raise LifeError(
                    f"prior of {name}: ({mean:g}, {deviation:g}) found; accepted: a finite mean and a "
                    "standard deviation above 0"
                )


def weak_priors(
    customary_days: float,
    tau_median: float = 0.4,
    by_term: Mapping[str, tuple[float, float]] = DAILY_USE,
) -> Priors:
    """Return the weakly informative priors of the pipeline.

    Parameters
    ----------
    customary_days : float
        The interval the trade keeps for this component: the intercept is N(log of it, 1).
    tau_median : float
        How much sites differ in log life, before anything is seen: 0.4 for cartridges and sleeves, 0.15 for
        lamps.
    by_term : mapping, optional
        Terms with a prior of their own, unscaled.

    Raises
    ------
    LifeError
        If `customary_days` or `tau_median` is not above 0.
    """
    if not (customary_days > 0 and tau_median > 0):
        raise LifeError(
            f"weak_priors: customary_days {customary_days:g} and tau_median {tau_median:g} found; "
            "accepted: above 0"
        )
    return Priors(
        intercept=(float(np.log(customary_days)), 1.0),
        log_tau=(float(np.log(tau_median)), 0.5),
        by_term=dict(by_term),
    )
