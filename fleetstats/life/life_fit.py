"""A fitted life model: its estimates, and the survival it predicts for the next spell."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import special

from fleetstats.errors import LifeError
from fleetstats.life.families import FAMILIES
from fleetstats.life.gauge_cells import GaugeCells
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.site_effect import NodeWeights
from fleetstats.quantities import FloatArray, IndexArray

# An even grid integrates a smooth curve against a normal density to all digits.
_STEPS = np.arange(-7.5, 7.5625, 0.125)
_STEP_SHARES = np.exp(-0.5 * _STEPS**2) / np.exp(-0.5 * _STEPS**2).sum()
_CELLS_AT_ONCE = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class LifeFit:
    """Estimates of log T = x'b + u_site + sigma e, with u ~ N(0, tau^2).

    Attributes
    ----------
    family : str
    coefficients : polars.DataFrame
        term ("intercept" first), estimate, standard_error; log days, on the given scale of the covariates.
        A standard error of inf: the lives do not determine this term.
    sigma, tau : float
        tau is 0.0 without a site effect, and where the likelihood is highest without one.
    log_likelihood : float
        Of the lives, priors apart; densities are those of T in 1/days.
    log_evidence : float or None
        Log of the probability of the lives under family and priors (Laplace); None without priors, -inf
        where no top was found.
    site_effects : polars.DataFrame
        site, mean, sd of u in log days, given the estimates.
    parameters : tuple of str
        Names of rows and columns of the covariance: terms, log_sigma (where free), log_tau (where above 0).
    estimate : ndarray, shape (q,)
        Estimates of `parameters`.
    covariance : ndarray, shape (q, q)
        Inverse curvature at the estimates, over the directions that the lives determine.
    problem : str
        Why there is no full answer; "" if there is one.
    lives : Lifetimes
        What was fitted.
    node_weights : NodeWeights or None
        Each known site's posterior of u on its quadrature nodes.
    cells : GaugeCells or None
        What gauge readings said of some of the lives.
    log_prior : float
        Of the estimates, constants apart; 0 without priors.
    """

    family: str
    coefficients: pl.DataFrame
    sigma: float
    tau: float
    log_likelihood: float
    log_evidence: float | None
    site_effects: pl.DataFrame
    parameters: tuple[str, ...]
    estimate: FloatArray
    covariance: FloatArray
    problem: str
    lives: Lifetimes
    node_weights: NodeWeights | None
    cells: GaugeCells | None = None
    log_prior: float = 0.0

    def effects(self, level: float = 0.90) -> pl.DataFrame:
        """Return the time ratios exp(b) of all terms but the intercept: term, time_ratio, low, high.

        Parameters
        ----------
        level : float
            Of the interval, between 0 and 1.

        Raises
        ------
        LifeError
            If the level is not between 0 and 1.
        """
        if not 0 < level < 1:
            raise LifeError(f"effects: level {level:g} found; accepted: above 0 and below 1")
        width = float(special.ndtri(0.5 + level / 2))
        estimate, error = pl.col("estimate"), pl.col("standard_error")
        return self.coefficients.slice(1).select(
            "term",
            time_ratio=estimate.exp(),
            low=(estimate - width * error).exp(),
            high=(estimate + width * error).exp(),
        )

    def survival(
        self,
        days: npt.ArrayLike,
        covariates: pl.DataFrame | None = None,
        site: Hashable | Sequence[Hashable] | npt.NDArray[Any] | pl.Series = None,
    ) -> FloatArray:
        """Return the chance that the next spell outlasts each of the days.

        Parameters
        ----------
        days : array_like, shape (m,) or ()
        covariates : polars.DataFrame, n rows, optional
            Coded as in the fit. None: what the site itself had on average, or the average of all lives.
        site : id, or a sequence of n ids, optional
            The effect of a site that was fitted is averaged over its posterior, that of any other (or None)
            over all that sites may be, N(0, tau^2).

        Returns
        -------
        ndarray, shape (n, m), (n,) for a single day
            Without the axis n if neither covariates nor a sequence of sites were given.

        Raises
        ------
        LifeError
            If a day is negative or missing, or the rows of covariates and sites do not match.
        """
        ages = np.asarray(days, dtype=np.float64)
        if not np.all(ages >= 0):
            raise LifeError("survival: a day below 0 or missing found; accepted: ages of 0 days or more")
        sites = _sequence(site)
        place: dict[Any, int] = {value: k for k, value in enumerate(self.lives.site_ids)}
        codes = np.array([place.get(s, -1) for s in ([site] if sites is None else sites)], dtype=np.intp)
        design = self._design(codes) if covariates is None else self.lives.coding.code(covariates)
        if covariates is not None and sites is None:
            codes = np.repeat(codes, covariates.height)
        if codes.size != design.shape[0]:
            raise LifeError(
                f"survival: {design.shape[0]} rows of covariates and {codes.size} sites found; "
                "give one site for each row"
            )
        terms = design.shape[1] + 1
        location = self.estimate[0] + design @ self.estimate[1:terms]
        chance = self._averaged(location, codes, np.atleast_1d(ages).ravel())
        chance = chance.reshape(location.shape + ages.shape)
        return chance[0] if covariates is None and sites is None else chance

    def _design(self, codes: IndexArray) -> FloatArray:
        """Return the average covariates of each known site, of all lives elsewhere."""
        weight, design = self.lives.weight, self.lives.design
        average = weight @ design / weight.sum()
        if not self.lives.site_ids or design.shape[1] == 0:
            return np.tile(average, (codes.size, 1))
        sums = [np.bincount(self.lives.site_code, weights=weight * column) for column in design.T]
        own = np.column_stack(sums) / np.bincount(self.lives.site_code, weights=weight)[:, None]
        return np.where(codes[:, None] >= 0, own[codes], average)

    def _averaged(self, location: FloatArray, codes: IndexArray, ages: FloatArray) -> FloatArray:
        family = FAMILIES[self.family]
        with np.errstate(divide="ignore"):
            log_age = np.log(ages)
        chance = np.empty((location.size, ages.size))
        for known in (False, True):
            rows = np.flatnonzero((codes >= 0) == known) if self.tau > 0 else np.arange(location.size)
            nodes = (
                1 if self.tau == 0 else (self.site_nodes(codes[rows[:1]])[0].shape[-1] if rows.size else 1)
            )
            size = max(1, _CELLS_AT_ONCE // (nodes * max(1, ages.size)))
            for start in range(0, rows.size, size):
                part = rows[start : start + size]
                effect, share = self.site_nodes(codes[part])
                z = (log_age[:, None] - location[part, None, None] - effect[:, None, :]) / self.sigma
                chance[part] = np.einsum("nmk,nk->nm", np.exp(family.log_sf(z)), share)
        return np.minimum(chance, 1.0)  # shares add up to 1 but for rounding

    def site_nodes(self, codes: IndexArray) -> tuple[FloatArray, FloatArray]:
        """Return values and shares of u at the nodes of sites all known or all unknown, shape (n, nodes)."""
        if self.tau == 0 or self.node_weights is None:
            return np.zeros((codes.size, 1)), np.ones((codes.size, 1))
        if codes.size and codes[0] >= 0:
            return self.node_weights.effect[codes], self.node_weights.share[codes]
        return np.tile(self.tau * _STEPS, (codes.size, 1)), np.tile(_STEP_SHARES, (codes.size, 1))


def _sequence(site: Any) -> list[Hashable] | None:
    """Return the sites as a list, or None for a single one: text and tuples are ids."""
    if isinstance(site, pl.Series):
        return site.to_list()
    if isinstance(site, np.ndarray) and site.ndim > 0:
        return site.tolist()  # type: ignore[no-any-return]
    return site if isinstance(site, list) else None
