"""The likelihood of a life known by what its gauge showed: cells of log age, each weighed by the readings.

    L = sum over cells k of g_k [F(z_k+1) - F(z_k)],    z_k = (edge_k - location) / sigma

with g_k the density of the readings if the life ends in cell k. Where g is one constant this is the term of
a life known to end between the first and the last edge, and log g.
"""

from typing import Literal

import numpy as np

from fleetstats.life.families import Family
from fleetstats.quantities import FloatArray

#: Log days further than this from every age stand for 0 and for ever.
FOREVER = 60.0
# Below it sums of chances lose digits: logarithms take over.
_LEAST = 1e-280


def soft_terms(
    family: Family,
    edges: FloatArray,
    heights: FloatArray,
    location: FloatArray,
    sigma: float | FloatArray,
    order: Literal["value", "location", "full"],
) -> tuple[FloatArray, ...]:
    """Return value, slope, curvature (and the rest) of log L, each of the shape of `location`.

    Parameters
    ----------
    family : Family
    edges : ndarray, shape (rows, cells + 1)
    heights : ndarray, shape (rows, cells)
    location : ndarray, shape (rows, columns)
    sigma : float or ndarray, shape (columns,)
    order : {"value", "location", "full"}
        In location alone, or in location and log sigma: then slope, curvature, slope in log sigma, mixed and
        log sigma twice.
    """
    total = np.zeros(location.shape)
    sums = [np.zeros(location.shape) for _ in range({"value": 0, "location": 2, "full": 5}[order])]
    drops = -np.diff(np.pad(heights, ((0, 0), (1, 1))), axis=1)
    below_before = above_before = np.empty(0)
    for k in range(edges.shape[1]):
        z = (edges[:, k, None] - location) / sigma
        below, above = family.tails(z)
        if k:
            # of two numbers near 1 only the distance of each to 1 is known well
            chance = np.where(z < 0, below - below_before, above_before - above)
            total += heights[:, k - 1, None] * chance
        if order != "value":
            _add(sums, drops[:, k, None], z, *family.density(z))
        below_before, above_before = below, above
    terms = _of_logarithm(total, sums, sigma)
    lost = ~(total > _LEAST)
    if lost.any():
        row, column = np.nonzero(lost)
        scale = np.broadcast_to(np.asarray(sigma, dtype=np.float64), location.shape)[row, column]
        found = by_logarithms(family, edges[row], heights[row], location[row, column], scale)
        for target, source in zip(terms, found, strict=False):
            target[row, column] = source
    return terms


def _add(
    sums: list[FloatArray], drop: FloatArray, z: FloatArray, density: FloatArray, bend: FloatArray
) -> None:
    """Add an edge's part of the sums that the slopes are made of: d f, d f', and those times z and z^2."""
    first, second = drop * density, drop * bend
    sums[0] += first
    sums[1] += second
    if len(sums) > 2:
        sums[2] += z * first
        sums[3] += z * second
        sums[4] += z * z * second


def _of_logarithm(
    total: FloatArray, sums: list[FloatArray], sigma: float | FloatArray
) -> tuple[FloatArray, ...]:
    """Return value and slopes of log L from L and its sums.

    d z / d location = -1/sigma, d z / d log sigma = -z.
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        value = np.log(total)
        if not sums:
            return (value,)
        slope = -sums[0] / sigma / total
        curve = sums[1] / sigma**2 / total - slope**2
        if len(sums) == 2:
            return value, slope, curve
        by_scale = -sums[2] / total
        mixed = (sums[0] + sums[3]) / sigma / total - slope * by_scale
        return value, slope, curve, by_scale, mixed, (sums[2] + sums[4]) / total - by_scale**2


def end_chances(family: Family, z: FloatArray) -> FloatArray:
    """Return the chance of each cell between standardised edges, shape (..., cells)."""
    below, above = family.tails(z)
    return np.where(z[..., 1:] < 0, np.diff(below, axis=-1), -np.diff(above, axis=-1))


def cell_chances(
    family: Family, edges: FloatArray, heights: FloatArray, location: FloatArray, sigma: FloatArray
) -> FloatArray:
    """Return log of g_k [F(z_k+1) - F(z_k)], exact however far out, shape (n, cells).

    Parameters
    ----------
    edges : ndarray, shape (n, cells + 1)
    heights : ndarray, shape (n, cells)
    location, sigma : ndarray, shape (n,)
    """
    z = (edges - location[:, None]) / sigma[:, None]
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        chance = np.log(heights) + family.log_between(z[:, :-1], z[:, 1:])
    return np.where(np.isnan(chance), -np.inf, chance)


def by_logarithms(
    family: Family, edges: FloatArray, heights: FloatArray, location: FloatArray, sigma: FloatArray
) -> tuple[FloatArray, ...]:
    """Return the six terms of `soft_terms` for single locations, cell by cell in logarithms, each (n,).

    With p_k the share of cell k and l_k its log chance, the slope is sum p_k l_k' and the second slopes are
    sum p_k (l_k'' + l_k' l_k'^T) less the slopes' squares.
    """
    log_chance = cell_chances(family, edges, heights, location, sigma)
    top = log_chance.max(axis=1, keepdims=True)
    share = np.exp(log_chance - np.where(np.isfinite(top), top, 0.0))
    whole = share.sum(axis=1, keepdims=True)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        value = (top + np.log(whole))[:, 0]
        share = share / np.where(whole > 0, whole, 1.0)
        z = (edges - location[:, None]) / sigma[:, None]
        log_height = np.log(heights)
        low, high = z[:, :-1], z[:, 1:]
        between = log_chance - log_height
        f = -np.exp(family.log_pdf(low) - between)
        g = np.exp(family.log_pdf(high) - between)
        f_a, g_b = f * (family.score(low)[0] - f), g * (family.score(high)[0] - g)
        f, g, f_a, g_b = (np.where(np.isfinite(x) & (share > 0), x, 0.0) for x in (f, g, f_a, g_b))
        f_b = -f * g
        d1, zd1 = f + g, low * f + high * g
        wide = sigma[:, None]
        slope, by_scale = -d1 / wide, -zd1
        curve = (f_a + 2 * f_b + g_b) / wide**2 + slope**2
        mixed = (d1 + low * (f_a + f_b) + high * (g_b + f_b)) / wide + slope * by_scale
        square = zd1 + low * low * f_a + 2 * low * high * f_b + high * high * g_b + by_scale**2
    s, c, b, m, q = (
        np.sum(share * np.where(share > 0, x, 0.0), axis=1) for x in (slope, curve, by_scale, mixed, square)
    )
    return value, s, c - s * s, b, m - s * b, q - b * b
