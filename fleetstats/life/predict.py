"""From fits to draws: families averaged by evidence, parameters and site effects drawn."""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from scipy import special

from fleetstats.errors import LifeError
from fleetstats.life.draws import LifeDraws
from fleetstats.life.families import FAMILIES
from fleetstats.life.fit import fit_life
from fleetstats.life.gauge_cells import GaugeCells
from fleetstats.life.life_fit import LifeFit
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.likelihood import spell_terms
from fleetstats.life.priors import Priors
from fleetstats.life.site_effect import SiteBlock, site_blocks, site_modes
from fleetstats.quantities import FloatArray, IndexArray

# Cells of a normal density about each site's mode, in its own spread; the outermost are open to the ends.
_CELL_EDGES: Final = np.concatenate([[-np.inf], np.arange(-4.5, 4.75, 0.5), [np.inf]])
_CELL_MIDDLES: Final = np.arange(-4.75, 5.0, 0.5)
_CELL_LOG_MASS: Final = np.log(np.diff(special.ndtr(_CELL_EDGES)))
_DRAWN_AT_ONCE: Final = 400_000
# Rows with readings cost ten times as much: every second cell is looked at, a spline gives those between.
_LOOKED_AT: Final = np.append(np.arange(0, _CELL_MIDDLES.size, 2), _CELL_MIDDLES.size - 1)


@dataclass(frozen=True, slots=True, eq=False)
class FamilyAverage:
    """Fits of several families to the same lives, and how much each is believed.

    Attributes
    ----------
    fits : tuple of LifeFit
    weights : ndarray, shape (families,)
        Evidence over the sum of evidences; adds up to 1.
    """

    fits: tuple[LifeFit, ...]
    weights: FloatArray


def average_families(
    lives: Lifetimes,
    *,
    priors: Priors,
    families: Sequence[str] = ("weibull", "lognormal", "loglogistic"),
    site_effect: bool = True,
    cells: GaugeCells | None = None,
) -> FamilyAverage:
    """Return the fits of all families, weighted by their evidence; beforehand each is equally likely.

    Parameters
    ----------
    lives : Lifetimes
    priors : Priors
        Evidence means nothing without them.
    families : sequence of str
    site_effect : bool
    cells : GaugeCells, optional
        What gauge readings say of some of the lives.

    Raises
    ------
    LifeError
        If there is no family.
    """
    if not families:
        raise LifeError(f"average_families: no family found; accepted: one or more of {', '.join(FAMILIES)}")
    fits = tuple(fit_life(lives, name, site_effect, priors, cells=cells) for name in families)
    evidence = np.array([-np.inf if fit.log_evidence is None else fit.log_evidence for fit in fits])
    if not np.isfinite(evidence).any():  # no family found its top: none can be told from another
        return FamilyAverage(fits, np.full(len(fits), 1 / len(fits)))
    weights = np.exp(evidence - evidence.max())
    return FamilyAverage(fits, weights / weights.sum())


def draw_lives(
    average: FamilyAverage,
    *,
    covariates: pl.DataFrame | None,
    sites: Sequence[Hashable],
    draws: int = 200,
    seed: int = 0,
) -> LifeDraws:
    """Return draws of the life of the next spell of each unit.

    Parameters
    ----------
    average : FamilyAverage
    covariates : polars.DataFrame, n rows
        Coded as in the fits; None where they had none.
    sites : sequence, length n
        Units at one site share their site's draws. The effect of a site that was fitted is drawn from its
        posterior given each draw of the parameters, that of any other from N(0, tau^2) of that draw.
    draws : int
        Allotted to the families in proportion to their weights.
    seed : int

    Returns
    -------
    LifeDraws

    Raises
    ------
    LifeError
        If the rows of covariates and sites do not match, or `draws` is below 1.
    """
    if draws < 1:
        raise LifeError(f"draw_lives: draws = {draws} found; accepted: 1 or more")
    if covariates is not None and covariates.height != len(sites):
        raise LifeError(
            f"draw_lives: {covariates.height} rows of covariates and {len(sites)} sites found; give as many"
        )
    lives = average.fits[0].lives
    design = np.zeros((len(sites), 0)) if covariates is None else lives.coding.code(covariates)
    if design.shape[1] != lives.design.shape[1]:
        raise LifeError(f"draw_lives: no covariates found; the fits need {', '.join(lives.coding.terms())}")
    family, location, scale, effect = [], [], [], []
    for k, (fit, count) in enumerate(zip(average.fits, _allot(average.weights, draws), strict=True)):
        if count == 0:
            continue
        stream = np.random.default_rng([seed, k])
        theta = _draw_parameters(fit, count, stream)
        b, sigma, tau = _taken_apart(fit, theta)
        u = _unit_effects(fit, sites, b, sigma, tau, stream)
        family += [fit.family] * count
        location.append(b[:, 0] + design @ b[:, 1:].T + u)
        scale.append(sigma)
        effect.append(u)
    return LifeDraws(tuple(family), np.hstack(location), np.concatenate(scale), np.hstack(effect))


def moved_lives(
    average: FamilyAverage, drawn: LifeDraws, *, now: pl.DataFrame, then: pl.DataFrame, seed: int
) -> LifeDraws:
    """Return the draws with other covariates, as `draw_lives` would give them: site effects stay.

    Parameters
    ----------
    average : FamilyAverage
    drawn : LifeDraws
        As `draw_lives` returned it for `average`, the covariates `now` and this seed.
    now, then : polars.DataFrame, n rows
    seed : int
    """
    coding = average.fits[0].lives.coding
    change = coding.code(then) - coding.code(now)
    location = drawn.location.copy()
    first = 0
    for k, (fit, count) in enumerate(
        zip(average.fits, _allot(average.weights, drawn.scale.size), strict=True)
    ):
        theta = _draw_parameters(fit, count, np.random.default_rng([seed, k]))
        b, _, _ = _taken_apart(fit, theta)
        location[:, first : first + count] += change @ b[:, 1:].T
        first += count
    return LifeDraws(drawn.family, location, drawn.scale, drawn.site_effect)


def _allot(weights: FloatArray, draws: int) -> IndexArray:
    """Return how many draws each family gets: whole shares first, then the largest remainders."""
    exact = weights * draws
    counts = np.floor(exact).astype(np.intp)
    order = np.argsort(-(exact - counts), kind="stable")
    counts[order[: draws - int(counts.sum())]] += 1
    return counts


def _draw_parameters(fit: LifeFit, count: int, stream: np.random.Generator) -> FloatArray:
    """Return draws of the parameters from the normal approximation at the mode, shape (count, q)."""
    # scaled to unit variances: those of an intercept far from the data and of log sigma are orders apart
    deviation = np.sqrt(np.maximum(np.diag(fit.covariance), 1e-300))
    eigenvalues, vectors = np.linalg.eigh(fit.covariance / np.outer(deviation, deviation))
    root = vectors * np.sqrt(np.maximum(eigenvalues, 0.0))
    away: FloatArray = stream.standard_normal((count, fit.estimate.size)) @ root.T
    return fit.estimate + deviation * away


def _taken_apart(fit: LifeFit, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return coefficients, sigma and tau of each draw."""
    terms = 1 + fit.lives.design.shape[1]
    count = theta.shape[0]
    place = {name: k for k, name in enumerate(fit.parameters)}
    sigma = np.exp(theta[:, place["log_sigma"]]) if "log_sigma" in place else np.ones(count)
    tau = np.exp(theta[:, place["log_tau"]]) if "log_tau" in place else np.zeros(count)
    return theta[:, :terms], sigma, tau


def _unit_effects(
    fit: LifeFit,
    sites: Sequence[Hashable],
    b: FloatArray,
    sigma: FloatArray,
    tau: FloatArray,
    stream: np.random.Generator,
) -> FloatArray:
    """Return u of each unit's site for each draw, shape (n, draws)."""
    place: dict[Hashable, int] = {value: k for k, value in enumerate(fit.lives.site_ids)}
    # one normal number for each site and draw, those of fitted sites first: which units are asked for, and in
    # which order, changes nothing for a fitted site
    for value in sites:
        place.setdefault(value, len(place))
    standard = stream.standard_normal((len(place), tau.size))
    codes = np.array([place[value] for value in sites], dtype=np.intp)
    effect = tau * standard
    known = np.unique(codes[codes < len(fit.lives.site_ids)])
    if fit.tau > 0 and known.size:
        effect[known] = _site_draws(fit, known, b, sigma, tau, special.ndtr(standard[known]))
    return effect[codes]


def _site_draws(
    fit: LifeFit,
    codes: IndexArray,
    b: FloatArray,
    sigma: FloatArray,
    tau: FloatArray,
    uniform: FloatArray,
) -> FloatArray:
    """Return u of known sites, drawn from its exact conditional given each draw of the parameters.

    Parameters
    ----------
    codes : ndarray of int, shape (sites,)
    uniform : ndarray, shape (sites, draws)
        What the inverse distribution functions are taken at.
    """
    lives = fit.lives
    centre = float(
        lives.weight @ np.log(np.where(lives.right_censored, lives.lower, lives.upper)) / lives.weight.sum()
    )
    design = np.column_stack([np.ones(len(lives)), lives.design])
    effect = np.empty((len(lives.site_ids), tau.size))
    wanted = np.zeros(len(lives.site_ids), dtype=bool)
    wanted[codes] = True
    everywhere = np.full(effect.shape, 0.5)
    everywhere[codes] = uniform
    for block in site_blocks(lives, design, centre, max(200, _DRAWN_AT_ONCE // tau.size), fit.cells):
        if wanted[block.sites].any():
            effect[block.sites] = _block_draws(fit, block, centre, b, sigma, tau, everywhere[block.sites])
    return effect[codes]


def _all_cells(
    likelihood: Callable[[float], FloatArray], shape: tuple[int, ...], *, sparsely: bool
) -> FloatArray:
    """Return the log-likelihood at the middle of each cell, shape (cells, sites, draws)."""
    looked_at = _LOOKED_AT if sparsely else np.arange(_CELL_MIDDLES.size)
    seen = np.empty((looked_at.size, *shape))
    for k, z in enumerate(_CELL_MIDDLES[looked_at]):
        seen[k] = likelihood(float(z))
    if not sparsely:
        return seen
    if not np.isfinite(seen).all():
        return _all_cells(likelihood, shape, sparsely=False)
    from scipy import interpolate

    between = interpolate.CubicSpline(looked_at, np.eye(looked_at.size))(np.arange(_CELL_MIDDLES.size))
    return np.tensordot(between, seen, axes=1)


def _block_draws(
    fit: LifeFit,
    block: SiteBlock,
    centre: float,
    b: FloatArray,
    sigma: FloatArray,
    tau: FloatArray,
    uniform: FloatArray,
) -> FloatArray:
    """Return u of the sites of a block, shape (sites, draws).

    A normal density about the mode is cut into cells; each cell's probability is its normal mass times the
    ratio of the true density to the normal one at its middle. Inside its cell a draw is normal.
    """
    family = FAMILIES[fit.family]
    fixed = block.rows.design @ b.T - centre
    start = np.zeros((block.count, 1))
    if fit.cells is not None:
        start = fit.site_effects["mean"].to_numpy()[block.sites, None] / fit.tau
    mode, spread = site_modes(block, family, fixed, sigma, tau, start, tolerance=0.02)

    def likelihood(z: float) -> FloatArray:
        at = fixed + (tau * (mode + spread * z))[block.rows.site]
        return np.asarray(block.total @ spell_terms(block.rows, family, at, sigma, "value").value)

    log_mass = _all_cells(likelihood, mode.shape, sparsely=fit.cells is not None)
    for k, z in enumerate(_CELL_MIDDLES):
        log_mass[k] += 0.5 * z**2 - 0.5 * (mode + spread * z) ** 2 + _CELL_LOG_MASS[k]
    log_mass = np.where(np.isnan(log_mass), -np.inf, log_mass)
    top = log_mass.max(axis=0)
    below = np.cumsum(np.exp(log_mass - np.where(np.isfinite(top), top, 0.0)), axis=0)
    target = uniform * below[-1]
    cell = np.minimum((below < target).sum(axis=0), _CELL_MIDDLES.size - 1)
    upper = np.take_along_axis(below, cell[None], axis=0)[0]
    lower = np.where(cell > 0, np.take_along_axis(below, np.maximum(cell - 1, 0)[None], axis=0)[0], 0.0)
    share = (target - lower) / np.where(upper > lower, upper - lower, 1.0)
    edges = special.ndtr(_CELL_EDGES)
    place = special.ndtri(edges[cell] + np.clip(share, 1e-12, 1 - 1e-12) * (edges[cell + 1] - edges[cell]))
    effect: FloatArray = tau * (mode + spread * place)
    return effect
