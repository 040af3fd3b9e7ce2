"""The site's integral: the likelihood of all spells of a site, averaged over what its effect u may be.

    L_i = integral of prod_j f(spell_ij | x_ij'b + u)^w_ij  N(u; 0, tau^2) du,     u = tau v

by adaptive Gauss-Hermite quadrature. Nodes are placed in v, centred and scaled at the mode and curvature of
each site's integrand, and held while slopes are taken: the slopes of the quadrature's error are not worth
having. In v everything stays smooth as tau goes to 0.

References
----------
Liu & Pierce (1994), "A note on Gauss-Hermite quadrature", Biometrika 81:624.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse, special

from fleetstats.life.families import Family
from fleetstats.life.gauge_cells import GaugeCells
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.likelihood import Order, SpellTerms, spell_rows, spell_terms
from fleetstats.quantities import FloatArray, IndexArray

# Rows worked on at once: small enough that (rows, nodes) arrays stay in the processor's cache.
_BLOCK_ROWS = 4096
# Slopes beyond this belong to nodes whose share is 0 for any double.
_HOPELESS = 1e100
# Of the log-likelihood, in all and for each site: moves no estimate by a tenth of its standard error.
_TOLERATED, _TOLERATED_PER_SITE = 0.002, 2e-6
_LOG_ROOT_2PI = 0.5 * np.log(2 * np.pi)


class SiteBlock:
    """Some sites with all their rows.

    Attributes
    ----------
    rows : SpellRows
        With site codes counted from the first site of the block.
    sites : slice
        Which sites.
    total : sparse matrix, shape (sites, rows)
        Adds rows up to sites, weights included.
    mode, spread : ndarray, shape (sites,)
        Where the nodes lie, in v.
    """

    def __init__(
        self,
        lives: Lifetimes,
        design: FloatArray,
        centre: float,
        sites: slice,
        which: IndexArray,
        cells: GaugeCells | None = None,
    ) -> None:
        rows = spell_rows(lives, design, centre, which, cells)
        site = rows.site - sites.start
        self.rows = replace(rows, site=site)
        self.sites = sites
        self.count = sites.stop - sites.start
        self._places = (site, np.arange(site.size))
        self.total = self._adder(rows.weight)
        self.columns = [self._adder(rows.weight * column) for column in rows.design.T]
        self.mode = np.zeros(self.count)
        self.spread = np.ones(self.count)

    def _adder(self, values: FloatArray) -> sparse.csr_matrix:
        return sparse.csr_matrix((values, self._places), shape=(self.count, values.size))

    def centre(self, family: Family, fixed: FloatArray, sigma: float, tau: float) -> None:
        """Move the nodes to the mode and curvature of each site's integrand."""
        start = self.mode[:, None]
        mode, spread = site_modes(self, family, fixed[:, None], np.array([sigma]), np.array([tau]), start)
        self.mode, self.spread = mode[:, 0], spread[:, 0]


def site_blocks(
    lives: Lifetimes,
    design: FloatArray,
    centre: float,
    block_rows: int = _BLOCK_ROWS,
    cells: GaugeCells | None = None,
) -> list[SiteBlock]:
    """Return the lives of all sites, cut into blocks of whole sites."""
    order = np.argsort(lives.site_code, kind="stable")
    starts = np.searchsorted(lives.site_code[order], np.arange(len(lives.site_ids) + 1))
    blocks, first = [], 0
    while first < len(lives.site_ids):
        last = int(np.searchsorted(starts, starts[first] + block_rows, side="right")) - 1
        last = min(max(last, first + 1), len(lives.site_ids))
        which = order[starts[first] : starts[last]]
        blocks.append(SiteBlock(lives, design, centre, slice(first, last), which, cells))
        first = last
    return blocks


@np.errstate(over="ignore", invalid="ignore")
def site_modes(
    block: SiteBlock,
    family: Family,
    fixed: FloatArray,
    sigma: FloatArray,
    tau: FloatArray,
    start: FloatArray,
    tolerance: float = 1e-8,
) -> tuple[FloatArray, FloatArray]:
    """Return mode and spread of each site's integrand in v, one column for each set of parameters.

    Parameters
    ----------
    block : SiteBlock
    family : Family
    fixed : ndarray, shape (rows, columns)
        x'b of every row.
    sigma, tau : ndarray, shape (columns,)
    start : ndarray, shape (sites, 1) or (sites, columns)
    tolerance : float
        On the last step, in spreads.

    Returns
    -------
    mode, spread : ndarray, shape (sites, columns)
    """
    mode = np.broadcast_to(start, (block.count, fixed.shape[1])).copy()
    low, high, last = np.full(mode.shape, -np.inf), np.full(mode.shape, np.inf), np.zeros(mode.shape)
    for _ in range(100):
        terms = spell_terms(block.rows, family, fixed + tau * mode[block.rows.site], sigma, "location")
        # where a tail has overflown the mode lies further up
        slope = np.nan_to_num(tau * (block.total @ terms.location) - mode, nan=1e300, posinf=1e300)
        bend = 1 - tau**2 * (block.total @ terms.location_location)
        bend = np.where(np.isfinite(bend), np.maximum(bend, 0.1), 1.0)
        low, high = np.where(slope > 0, mode, low), np.where(slope < 0, mode, high)
        last = _mode_step(np.clip(slope / bend, -3.0, 3.0), last, mode, low, high)
        mode += last
        if np.max(np.abs(last) * np.sqrt(bend)) < tolerance:
            break
    return mode, 1 / np.sqrt(bend)


def _mode_step(
    newton: FloatArray, last: FloatArray, mode: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Return the next step towards each mode, known to lie between low and high.

    In the steep side of a tail Newton's steps are one sigma long however far the mode is: steps that do not
    shrink are doubled until the mode lies between, then the bracket is halved.
    """
    slow = np.abs(newton) > 0.5 * np.abs(last)
    bracketed = np.isfinite(low) & np.isfinite(high)
    doubled = np.sign(newton) * np.clip(2 * np.abs(last), np.abs(newton), 3.0)
    step = np.where(slow & ~bracketed & (last != 0), doubled, newton)
    outside = (mode + step <= low) | (mode + step >= high)
    middle = np.where(
        bracketed, 0.5 * (np.where(bracketed, low, 0) + np.where(bracketed, high, 0)) - mode, 0.0
    )
    # rounding must not send a mode that has been found to the middle of a bracket again
    return np.where(bracketed & (outside | slow) & (np.abs(newton) > 1e-5), middle, step)


@dataclass(frozen=True, slots=True)
class NodeWeights:
    """What each node of each site's integral weighs.

    Attributes
    ----------
    effect : ndarray, shape (sites, nodes)
        u at the node, log days.
    share : ndarray, shape (sites, nodes)
        Posterior probability of the node; adds up to 1 in each site.
    log_likelihood : ndarray, shape (sites,)
        Log of each site's integral.
    """

    effect: FloatArray
    share: FloatArray
    log_likelihood: FloatArray


class SiteIntegral:
    """The marginal log-likelihood of all sites, with gradient and Hessian in (b, log sigma, log tau).

    Parameters
    ----------
    lives : Lifetimes
    design : ndarray, shape (n, columns)
        On the scale of the fit, intercept included.
    centre : float
        Log days taken off every log age.
    family : Family
    nodes : int
        Nodes of each site's quadrature.
    cells : GaugeCells, optional
        What gauge readings say of some of the lives.
    """

    def __init__(
        self,
        lives: Lifetimes,
        design: FloatArray,
        centre: float,
        family: Family,
        nodes: int,
        cells: GaugeCells | None = None,
    ) -> None:
        self.family = family
        self.blocks = site_blocks(lives, design, centre, cells=cells)
        self.use_nodes(nodes)

    def use_nodes(self, nodes: int) -> None:
        """Take that many nodes from now on."""
        self._points, weights = special.roots_hermite(nodes)
        self._log_weights = np.log(weights) + self._points**2

    def centre(self, b: FloatArray, sigma: float, tau: float) -> None:
        """Place the nodes of every site for these parameters."""
        for block in self.blocks:
            block.centre(self.family, block.rows.design @ b, sigma, tau)

    def slopes(self, b: FloatArray, sigma: float, tau: float) -> tuple[float, FloatArray, FloatArray]:
        """Return log-likelihood, gradient and Hessian in (b, log sigma, log tau), nodes held still."""
        q = b.size + 2
        value, gradient, hessian = 0.0, np.zeros(q), np.zeros((q, q))
        for block in self.blocks:
            weights, terms = self._weigh(block, b, sigma, tau, "full")
            value += float(weights.log_likelihood.sum())
            if not np.isfinite(value):
                return -np.inf, np.zeros(q), np.zeros((q, q))
            g, h = _block_slopes(block, weights, terms)
            gradient += g
            hessian += h
        return value, gradient, hessian

    def scores(self, b: FloatArray, sigma: float, tau: float) -> tuple[NodeWeights, FloatArray]:
        """Return node weights, and each site's slope in (b, log sigma, log tau), shape (sites, q)."""
        found = [(block, *self._weigh(block, b, sigma, tau, "full")) for block in self.blocks]
        by_site = [_site_slopes(block, weights, terms)[1] for block, weights, terms in found]
        return _together([weights for _, weights, _ in found]), np.concatenate(by_site)

    def agrees(self, weights: NodeWeights, b: FloatArray, sigma: float, tau: float) -> bool:
        """Return whether twice as many nodes leave the log-likelihood where these weights have it."""
        nodes = self._points.size
        self.use_nodes(2 * nodes + 1)
        change = self.weights(b, sigma, tau).log_likelihood.sum() - weights.log_likelihood.sum()
        self.use_nodes(nodes)
        return bool(abs(change) < _TOLERATED + _TOLERATED_PER_SITE * weights.log_likelihood.size)

    def weights(self, b: FloatArray, sigma: float, tau: float) -> NodeWeights:
        """Return the node weights of all sites, in the order of their codes."""
        return _together([self._weigh(block, b, sigma, tau, "value")[0] for block in self.blocks])

    def _weigh(
        self, block: SiteBlock, b: FloatArray, sigma: float, tau: float, order: Order
    ) -> tuple[NodeWeights, SpellTerms]:
        node = block.mode[:, None] + np.sqrt(2) * block.spread[:, None] * self._points
        effect = tau * node
        location = (block.rows.design @ b)[:, None] + effect[block.rows.site]
        terms = _settle(spell_terms(block.rows, self.family, location, sigma, order))
        log_share = (
            block.total @ terms.value
            + self._log_weights
            + np.log(np.sqrt(2) * block.spread)[:, None]
            - 0.5 * node**2
            - _LOG_ROOT_2PI
        )
        log_share = np.where(np.isnan(log_share), -np.inf, log_share)
        top = log_share.max(axis=1, keepdims=True)
        share = np.exp(log_share - np.where(np.isfinite(top), top, 0.0))
        total = share.sum(axis=1, keepdims=True)
        with np.errstate(divide="ignore"):
            log_likelihood = (top + np.log(total))[:, 0]
        return NodeWeights(effect, share / np.where(total > 0, total, 1.0), log_likelihood), terms


def _together(parts: list[NodeWeights]) -> NodeWeights:
    return NodeWeights(
        np.concatenate([part.effect for part in parts]),
        np.concatenate([part.share for part in parts]),
        np.concatenate([part.log_likelihood for part in parts]),
    )


def _settle(terms: SpellTerms) -> SpellTerms:
    """Return the terms with the slopes of impossible nodes at 0: their share is 0, 0 times inf no number."""
    full = terms.log_sigma_log_sigma
    if full.size == 0 or np.abs(full).max() < _HOPELESS:
        return terms
    good = np.abs(full) < _HOPELESS
    slopes = [
        np.where(good, slope, 0.0)
        for slope in (
            terms.location,
            terms.log_sigma,
            terms.location_location,
            terms.location_log_sigma,
            full,
        )
    ]
    return SpellTerms(terms.value, *slopes)


def _site_slopes(block: SiteBlock, weights: NodeWeights, terms: SpellTerms) -> tuple[FloatArray, FloatArray]:
    """Return slopes of each log integrand at its nodes, (sites, nodes, q), and over them, (sites, q)."""
    p, q = block.rows.design.shape[1], block.rows.design.shape[1] + 2
    slope = np.empty((block.count, weights.share.shape[1], q))
    for j, column in enumerate(block.columns):
        slope[:, :, j] = column @ terms.location
    slope[:, :, p] = block.total @ terms.log_sigma
    slope[:, :, p + 1] = weights.effect * (block.total @ terms.location)
    return slope, np.einsum("sk,skq->sq", weights.share, slope)


def _block_slopes(block: SiteBlock, weights: NodeWeights, terms: SpellTerms) -> tuple[FloatArray, FloatArray]:
    """Return gradient and Hessian of the log-likelihood of a block.

    With A_k the log integrand at node k and p_k its share, gradient = sum p_k A_k' and Hessian =
    sum p_k (A_k'' + A_k' A_k'^T) less the gradient's square, site by site.
    """
    p, q = block.rows.design.shape[1], block.rows.design.shape[1] + 2
    slope, by_site = _site_slopes(block, weights, terms)
    rooted = (slope * np.sqrt(weights.share)[:, :, None]).reshape(-1, q)
    hessian = rooted.T @ rooted - by_site.T @ by_site

    share, effect = (
        (block.rows.weight[:, None] * weights.share[block.rows.site]),
        weights.effect[block.rows.site],
    )
    x = block.rows.design
    by_location = share * terms.location_location
    by_scale = share * terms.location_log_sigma
    hessian[:p, :p] += x.T @ (by_location.sum(axis=1)[:, None] * x)
    hessian[:p, p] += by_scale.sum(axis=1) @ x
    hessian[:p, p + 1] += (by_location * effect).sum(axis=1) @ x
    hessian[p, p] += (share * terms.log_sigma_log_sigma).sum()
    hessian[p, p + 1] += (by_scale * effect).sum()
    hessian[p + 1, p + 1] += (by_location * effect**2).sum() + (share * terms.location * effect).sum()
    hessian[p:, :p] = hessian[:p, p:].T
    hessian[p + 1, p] = hessian[p, p + 1]
    return by_site.sum(axis=0), hessian
