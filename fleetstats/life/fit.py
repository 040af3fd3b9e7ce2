"""Fits the life model: maximum likelihood, or the posterior mode where priors are given."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.errors import LifeError
from fleetstats.life.families import Family, family_called
from fleetstats.life.gauge_cells import GaugeCells
from fleetstats.life.life_fit import LifeFit
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.likelihood import spell_rows, spell_terms
from fleetstats.life.newton import Top, curvature, newton
from fleetstats.life.priors import Priors
from fleetstats.life.scaling import Scaling, learn_scaling
from fleetstats.life.site_effect import NodeWeights, SiteIntegral
from fleetstats.quantities import BoolArray, FloatArray

_SCREENING_NODES = 9
# With fewer, slopes taken with the nodes held are not those of the integral any more.
_FEWEST_NODES = 5
_FEW_LIVES = 5_000
# Rows with readings cost some ten times as much.
_FEW_LIVES_READ = 500
_MOST_NODES = 63
# Below this share of sigma a site effect moves no figure that is printed: the maximum lies at 0.
_NO_EFFECT = 1e-4
_LEAST_LOG_SIGMA = -12.0


@dataclass(frozen=True, slots=True)
class ScaledPrior:
    """Normal priors of theta on the scale of the fit; precision 0 = none.

    Attributes
    ----------
    mean, precision : ndarray, shape (q,)
        Of (b, log sigma, log tau).
    """

    mean: FloatArray
    precision: FloatArray

    def add(
        self, theta: FloatArray, value: float, gradient: FloatArray, hessian: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Return value, gradient and Hessian of a log-likelihood with those of the log prior added."""
        off = theta - self.mean[: theta.size]
        precision = self.precision[: theta.size]
        return (
            value - 0.5 * float(precision @ off**2),
            gradient - precision * off,
            hessian - np.diag(precision),
        )


def fit_life(
    lives: Lifetimes,
    family: str = "weibull",
    site_effect: bool = True,
    priors: Priors | None = None,
    nodes: int | None = None,
    *,
    cells: GaugeCells | None = None,
    near: LifeFit | None = None,
) -> LifeFit:
    """Return the fitted model log T = x'b + u_site + sigma e.

    Parameters
    ----------
    lives : Lifetimes
    family : {"weibull", "lognormal", "loglogistic", "exponential"}
    site_effect : bool
        Whether sites differ; without sites in `lives` they cannot.
    priors : Priors, optional
        None: maximum likelihood.
    nodes : int, optional
        Quadrature nodes of each site's integral. None: 15, or 31 below 5,000 lives, where they cost nothing;
        doubled, up to 63, until twice as many agree (sites that differ much more than lives do need them).
    cells : GaugeCells, optional
        What gauge readings say of some of the lives; None: nothing was read.
    near : LifeFit, optional
        A fit of the same family to the same lives and much the same readings: the steps start there.

    Returns
    -------
    LifeFit
        With `problem` saying so where the lives do not determine an answer (nothing failed, a level in which
        nothing failed, ends that all agree).

    Raises
    ------
    LifeError
        If the family is not known or `nodes` is below 5.
    """
    if nodes is not None and nodes < _FEWEST_NODES:
        raise LifeError(f"fit_life: nodes = {nodes} found; accepted: {_FEWEST_NODES} or more")
    shape, scaling = family_called(family), learn_scaling(lives)
    if cells is not None and not cells.life.size:
        cells = None
    prior = scaled_prior(lives, scaling, shape, priors)
    task = _Task(lives, scaling, shape, prior, priors is not None, cells)
    if near is not None and near.node_weights is not None and priors is not None:
        top, weights = _fit_sites(task, on_fit_scale(scaling, near.estimate), nodes)
        if weights is not None:
            return _result(task, top, weights)
    plain = _fit_plain(task)
    if not (site_effect and lives.site_ids):
        return _result(task, plain, None)
    begin = np.append(plain.theta, np.log(0.5 * task.sigma(plain.theta)))
    top, weights = _fit_sites(task, begin, nodes)
    if weights is None:
        top = plain
    if priors is None and weights is not None and top.value <= plain.value + 1e-9 * (1 + abs(plain.value)):
        top, weights = plain, None
    return _result(task, top, weights)


@dataclass(frozen=True, slots=True)
class _Task:
    """What is to be fitted; `given_priors`: whether `prior` says anything."""

    lives: Lifetimes
    scaling: Scaling
    family: Family
    prior: ScaledPrior
    given_priors: bool
    cells: GaugeCells | None

    def sigma(self, theta: FloatArray) -> float:
        return 1.0 if self.family.scale_fixed else float(np.exp(theta[self.scaling.design.shape[1]]))


def scaled_prior(lives: Lifetimes, scaling: Scaling, family: Family, priors: Priors | None) -> ScaledPrior:
    """Return the priors of (b, log sigma, log tau) on the scale of the fit."""
    terms = lives.coding.terms()
    size = len(terms) + (2 if family.scale_fixed else 3)
    if priors is None:
        return ScaledPrior(np.zeros(size), np.zeros(size))
    pairs = [(priors.intercept[0] - scaling.centre, priors.intercept[1])]
    for term, scale in zip(terms, scaling.scale, strict=True):
        own = priors.by_term.get(term)
        pairs.append(priors.coefficient if own is None else (own[0] * scale, own[1] * scale))
    pairs += [priors.log_tau] if family.scale_fixed else [priors.log_sigma, priors.log_tau]
    table = np.array(pairs)
    return ScaledPrior(table[:, 0], table[:, 1] ** -2)


def _fit_plain(task: _Task) -> Top:
    """Return the fit without a site effect."""
    scaling, family = task.scaling, task.family
    rows = spell_rows(task.lives, scaling.design, scaling.centre, np.arange(len(task.lives)), task.cells)
    x, p = rows.design, rows.design.shape[1]
    keep = np.arange(p if family.scale_fixed else p + 1)

    def objective(theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        terms = spell_terms(rows, family, (x @ theta[:p])[:, None], task.sigma(theta))
        with np.errstate(over="ignore", invalid="ignore"):
            value = float(rows.weight @ terms.value[:, 0])
            if not np.isfinite(value):
                return -np.inf, np.zeros(keep.size), np.zeros((keep.size, keep.size))
            weighted = rows.weight[:, None]
            gradient = np.append(x.T @ (weighted * terms.location), (weighted * terms.log_sigma).sum())
            hessian = np.empty((p + 1, p + 1))
            hessian[:p, :p] = x.T @ (weighted * terms.location_location * x)
            hessian[:p, p] = hessian[p, :p] = (x.T @ (weighted * terms.location_log_sigma))[:, 0]
            hessian[p, p] = (weighted * terms.log_sigma_log_sigma).sum()
        return task.prior.add(theta, value, gradient[keep], hessian[np.ix_(keep, keep)])

    start = np.zeros(keep.size)
    if not family.scale_fixed:
        start[p] = np.log(scaling.spread)
    longest = np.append(np.full(p, 3.0), 1.0)[keep]
    return newton(
        objective, start, longest, stop=lambda theta: bool(keep.size > p and theta[p] < _LEAST_LOG_SIGMA)
    )


def _fit_sites(task: _Task, start: FloatArray, nodes: int | None) -> tuple[Top, NodeWeights | None]:
    """Return the fit with a site effect and its node weights, None for these if tau goes to 0."""
    lives, scaling, family, cells = task.lives, task.scaling, task.family, task.cells
    p = scaling.design.shape[1]
    few = min(nodes or _SCREENING_NODES, _SCREENING_NODES)
    integral = SiteIntegral(lives, scaling.design, scaling.centre, family, few, cells)
    keep = np.delete(np.arange(p + 2), p) if family.scale_fixed else np.arange(p + 2)

    def spread(theta: FloatArray) -> tuple[float, float]:
        return task.sigma(theta), float(np.exp(theta[-1]))

    def objective(theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        sigma, tau = spread(theta)
        integral.centre(theta[:p], sigma, tau)
        value, gradient, hessian = integral.slopes(theta[:p], sigma, tau)
        return task.prior.add(theta, value, gradient[keep], hessian[np.ix_(keep, keep)])

    def stop(theta: FloatArray) -> bool:
        return _ran_off(*spread(theta))

    longest = np.append(np.full(p, 3.0), [1.0, 1.5])[keep]
    screened = newton(objective, start, longest, stop=stop, tolerance=1e-6)
    if stop(screened.theta):
        return screened, None
    count, theta = nodes or _first_nodes(len(lives), cells), screened.theta
    while True:
        integral.use_nodes(count)
        top = newton(objective, theta, longest, stop=stop)
        theta = top.theta
        if stop(theta):
            return top, None
        weights = integral.weights(theta[:p], *spread(theta))
        if nodes is not None or count >= _MOST_NODES or integral.agrees(weights, theta[:p], *spread(theta)):
            return top, weights
        count = 2 * count + 1


def _ran_off(sigma: float, tau: float) -> bool:
    """Return whether sites do not differ, or nothing does: no maximum lies there."""
    return bool(tau < _NO_EFFECT * sigma or sigma < np.exp(_LEAST_LOG_SIGMA))


def _first_nodes(lives: int, cells: GaugeCells | None) -> int:
    return 31 if lives <= (_FEW_LIVES if cells is None else _FEW_LIVES_READ) else 15


def _result(task: _Task, top: Top, weights: NodeWeights | None) -> LifeFit:
    """Return the fit on the given scale."""
    lives, scaling, family, prior = task.lives, task.scaling, task.family, task.prior
    p, q = scaling.design.shape[1], top.theta.size
    estimate, covariance, unknown = _on_given_scale(lives, scaling, top)
    names = ("intercept", *lives.coding.terms())
    names += () if family.scale_fixed else ("log_sigma",)
    names += ("log_tau",) if weights is not None else ()
    error = np.where(unknown, np.inf, np.sqrt(np.maximum(np.diag(covariance), 0.0)))
    known_ends = np.log(np.where(lives.exact, lives.lower, 1.0)) @ lives.weight
    log_prior = -0.5 * float(prior.precision[:q] @ (top.theta - prior.mean[:q]) ** 2)
    log_likelihood = top.value - log_prior - float(known_ends)
    return LifeFit(
        family=family.name,
        coefficients=pl.DataFrame({"term": names[:p], "estimate": estimate[:p], "standard_error": error[:p]}),
        sigma=task.sigma(estimate),
        tau=float(np.exp(estimate[-1])) if weights is not None else 0.0,
        log_likelihood=log_likelihood,
        log_evidence=None if not task.given_priors else _evidence(log_likelihood + log_prior, top, prior),
        site_effects=_site_effects(lives, weights),
        parameters=names,
        estimate=estimate,
        covariance=covariance,
        problem=_problem(lives, top, names, unknown, task.given_priors),
        lives=lives,
        node_weights=weights,
        cells=task.cells,
        log_prior=log_prior,
    )


def _on_given_scale(lives: Lifetimes, scaling: Scaling, top: Top) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return estimates, covariance, and which estimates the lives leave open, on the given scale."""
    p, q = scaling.design.shape[1], top.theta.size
    given = np.eye(q)
    given[:p, :p] = scaling.to_given
    estimate = given @ top.theta
    estimate[0] += scaling.centre
    covariance, open_directions = curvature(top.hessian, replication=float(lives.weight.mean()))
    # the constant covariates' coefficients are free, the sum of them and the intercept is not
    reach = given.copy()
    reach[0, 1:p][scaling.constant] = 0.0
    unknown = (np.abs(reach @ open_directions) > 1e-6 * np.abs(reach).max(axis=1)[:, None]).any(axis=1)
    return estimate, given @ covariance @ given.T, unknown


def on_fit_scale(scaling: Scaling, estimate: FloatArray) -> FloatArray:
    """Return estimates on the scale of the fit: what `_on_given_scale` does, undone."""
    given = np.eye(estimate.size)
    p = scaling.design.shape[1]
    given[:p, :p] = scaling.to_given
    away = estimate.copy()
    away[0] -= scaling.centre
    return np.asarray(np.linalg.solve(given, away), dtype=np.float64)


def _evidence(log_posterior: float, top: Top, prior: ScaledPrior) -> float:
    """Return the Laplace approximation of the log evidence, the factors 2 pi cancel; -inf away from a top."""
    eigenvalues = np.linalg.eigvalsh(-top.hessian)
    if not (np.isfinite(log_posterior) and eigenvalues.min() > 0):
        return -np.inf  # no bell to measure: a singular curvature would count as boundless evidence
    log_determinant = float(np.log(eigenvalues).sum())
    return log_posterior + 0.5 * float(np.log(prior.precision[: top.theta.size]).sum() - log_determinant)


def _site_effects(lives: Lifetimes, weights: NodeWeights | None) -> pl.DataFrame:
    mean = sd = np.zeros(len(lives.site_ids))
    if weights is not None:
        mean = (weights.share * weights.effect).sum(axis=1)
        sd = np.sqrt((weights.share * (weights.effect - mean[:, None]) ** 2).sum(axis=1))
    try:
        site = pl.Series("site", lives.site_ids, strict=True)
    except (TypeError, pl.exceptions.PolarsError):  # ids of several types, or of a type of their own
        site = pl.Series("site", lives.site_ids, dtype=pl.Object)
    return pl.DataFrame([site, pl.Series("mean", mean), pl.Series("sd", sd)])


def _problem(
    lives: Lifetimes,
    top: Top,
    names: tuple[str, ...],
    unknown: BoolArray,
    given_priors: bool,
) -> str:
    """Return why the lives have no full answer, "" if they have one."""
    advice = "" if given_priors else "; give priors"
    place = names.index("log_sigma") if "log_sigma" in names else -1
    if place >= 0 and top.theta[place] < _LEAST_LOG_SIGMA:
        return f"the ends agree so closely that no spread can be told: sigma goes to 0{advice}"
    if not lives.failures and not given_priors:
        return "nothing has failed: the longer the life assumed, the better it fits; give priors"
    if not top.settled:
        return f"no maximum was found within the steps allowed{advice}"
    if unknown.any():
        terms = ", ".join(name for name, is_open in zip(names, unknown, strict=True) if is_open)
        return (
            f"the lives do not determine {terms}: all or nothing failed in a level, a column has one value "
            f"or follows from others, or one curve without spread fits all{advice}"
        )
    return ""
