"""A second opinion: the fleet's life fitted again by an independent library, on the same spells."""

import warnings
from collections.abc import Sequence

import numpy as np
import polars as pl

from fleetstats.errors import TrustError
from fleetstats.life.families import FAMILIES
from fleetstats.life.fit import fit_life
from fleetstats.life.learn import FAMILIES_WEIGHED
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.quantities import BoolArray, FloatArray
from fleetstats.tables import TABLES

AGREES, DIFFERS, NO_OPINION = "agrees", "differs", "no opinion"
#: Largest differences that still agree: medians and sigmas as shares, log-likelihoods as they are. The
#: library stops some 0.01 % short of the top.
MOST_SHARE, MOST_LOG_LIKELIHOOD = 0.002, 0.002
#: Log probability from which on the library counts a censored spell as no less likely (it clips at 1e-25).
_CLIPPED = float(np.log(1e-24))
_FIGURES = ("median_days", "sigma", "log_likelihood")


def second_opinion(
    component: str, lives: Lifetimes, families: Sequence[str] = FAMILIES_WEIGHED
) -> pl.DataFrame:
    """Return the fleet-wide life of each family by our fit and by the library, and whether they agree.

    Both are maximum likelihood without site effects, covariates or priors.

    Parameters
    ----------
    component : str
    lives : Lifetimes
        Sites and covariates are passed over.
    families : sequence of str

    Returns
    -------
    polars frame
        The table `second_opinion`, one row a family: spells and failures that both fitted, spells left out
        because the library clips them, median_days, sigma and log_likelihood of both,
        the library's differences (shares, but of log-likelihoods), opinion (agrees, differs, no opinion) and
        why there is none. Figures of a fit that failed are null.
    """
    plain = Lifetimes(lives.lower, lives.upper, entry=lives.entry, weight=lives.weight)
    rows = [{"component": component, "family": family} | _opinion(family, plain) for family in families]
    return TABLES["second_opinion"].of(rows)


def _opinion(family: str, lives: Lifetimes) -> dict[str, object]:
    """Return one family's row without its key."""
    fit, kept = fit_life(lives, family, site_effect=False), lives
    clipped = np.zeros(len(lives), dtype=bool)
    if not fit.problem:
        clipped = _clipped(family, lives, fit.coefficients["estimate"][0], fit.sigma)
    if clipped.any() and not clipped.all():
        kept = lives.take(np.flatnonzero(~clipped))
        fit = fit_life(kept, family, site_effect=False)
    row: dict[str, object] = {
        "spells": len(kept), "failures": int((~kept.right_censored).sum()), "left_out": int(clipped.sum()),
    }  # fmt: skip
    if fit.problem:
        return row | {"opinion": NO_OPINION, "reason": fit.problem.removesuffix("; give priors")}
    near = (fit.coefficients["estimate"][0], fit.sigma)
    own = _figures(family, *near, fit.log_likelihood)
    row |= own
    try:
        theirs = by_library(family, kept, near)
    except TrustError as exc:
        return row | {"opinion": NO_OPINION, "reason": str(exc)}
    return row | compared(own, theirs)


def compared(own: dict[str, float], theirs: dict[str, float]) -> dict[str, object]:
    """Return the library's figures, how far they are from ours, and whether that is agreement."""
    apart = {
        "median_difference": theirs["median_days"] / own["median_days"] - 1,
        "sigma_difference": theirs["sigma"] / own["sigma"] - 1,
        "log_likelihood_difference": theirs["log_likelihood"] - own["log_likelihood"],
    }
    near = (
        max(abs(apart["median_difference"]), abs(apart["sigma_difference"])) <= MOST_SHARE
        and abs(apart["log_likelihood_difference"]) <= MOST_LOG_LIKELIHOOD
    )
    named = {f"{name}_library": theirs[name] for name in _FIGURES}
    return {**named, **apart, "opinion": AGREES if near else DIFFERS, "reason": ""}


def by_library(family: str, lives: Lifetimes, near: tuple[float, float]) -> dict[str, float]:
    """Return median_days, sigma and log_likelihood of the lives as the library fits them.

    It climbs its own likelihood from beside `near`: from its own start it runs off where entry is late.
    It takes intervals as closed, the same for ages without gaps, and an upper of inf as 1e25.

    Parameters
    ----------
    family : str
    lives : Lifetimes
    near : tuple of float
        Location and sigma of log life.

    Raises
    ------
    TrustError
        If it finds no maximum, doubts the one it found, or found it where it clips.
    """
    location, sigma = near[0] + 0.05, 1.25 * near[1]
    start = (location, sigma) if family == "lognormal" else (np.exp(location), 1 / sigma)
    first, second, log_likelihood = _climbed(family, lives, np.array(start))
    location, sigma = (first, second) if family == "lognormal" else (np.log(first), 1 / second)
    if not np.isfinite([location, sigma, log_likelihood]).all():
        raise TrustError("the library finds no maximum")
    if _clipped(family, lives, location, sigma).any():
        raise TrustError("the library's maximum lies where it clips small chances")
    return _figures(family, location, sigma, log_likelihood)


def _climbed(family: str, lives: Lifetimes, start: FloatArray) -> tuple[float, float, float]:
    """Return the library's two parameters and its log-likelihood."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # those of its own making are not ours to mend
        import lifelines  # takes over a second
        from lifelines.exceptions import ApproximationWarning, ConvergenceError, StatisticalWarning

        for doubt in (ApproximationWarning, StatisticalWarning):
            warnings.simplefilter("error", doubt)
        fitter = {
            "weibull": lifelines.WeibullFitter,
            "lognormal": lifelines.LogNormalFitter,
            "loglogistic": lifelines.LogLogisticFitter,
        }[family]()
        try:
            fitter.fit_interval_censoring(
                lives.lower, lives.upper, entry=lives.entry, weights=lives.weight, initial_point=start
            )
        except (ConvergenceError, ArithmeticError, ValueError, np.linalg.LinAlgError) as exc:
            raise TrustError("the library finds no maximum") from exc
        except (ApproximationWarning, StatisticalWarning) as exc:
            raise TrustError("the library doubts the maximum that it found") from exc
    first, second = fitter.params_
    return float(first), float(second), float(fitter.log_likelihood_)


def _figures(family: str, location: float, sigma: float, log_likelihood: float) -> dict[str, float]:
    middle = float(FAMILIES[family].quantile(np.array(0.5)))
    return {
        "median_days": float(np.exp(location + sigma * middle)),
        "sigma": float(sigma),
        "log_likelihood": log_likelihood,
    }


def _clipped(family: str, lives: Lifetimes, location: float, sigma: float) -> BoolArray:
    """Return which spells not known exactly the library would clip at these figures, shape (n,)."""
    shape = FAMILIES[family]

    def z(days: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            return (np.log(days) - location) / sigma

    low, high, open_end = z(lives.lower), z(lives.upper), lives.right_censored
    with np.errstate(all="ignore"):
        log_chance = np.where(
            open_end, shape.log_sf(low), shape.log_between(low, np.where(open_end, low + 1, high))
        )
    return ~lives.exact & (log_chance < _CLIPPED)
