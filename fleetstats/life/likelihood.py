"""The log-likelihood of each spell, with its first and second slopes in location and log sigma."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fleetstats.life.families import Family
from fleetstats.life.gauge_cells import GaugeCells
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.soft_terms import soft_terms
from fleetstats.quantities import FloatArray, IndexArray

Kind = Literal["exact", "right", "left", "between", "soft"]
Order = Literal["value", "location", "full"]


@dataclass(frozen=True, slots=True)
class SpellRows:
    """Spells as terms of a log-likelihood, those of one kind side by side.

    A late entry is a term of its own: divided by S(entry), a spell adds -weight times the log-likelihood of
    being still good at `entry`, with the same covariates and site.

    A soft row is a spell whose gauge readings say something of its life: the chance of each cell of log age
    counts by how well the readings fit a life that ends there.

    Attributes
    ----------
    parts : tuple of (kind, slice)
        Which rows are of which kind.
    low, high : ndarray, shape (rows,)
        Log age less `centre`; `low` alone for exact and right, `high` alone for left.
    design : ndarray, shape (rows, columns)
    weight : ndarray, shape (rows,)
    site : ndarray of int, shape (rows,)
    edges : ndarray, shape (soft rows, cells + 1)
        Log age less `centre`, rising.
    heights : ndarray, shape (soft rows, cells)
        Density of the readings if the life ends in the cell.
    """

    parts: tuple[tuple[Kind, slice], ...]
    low: FloatArray
    high: FloatArray
    design: FloatArray
    weight: FloatArray
    site: IndexArray
    edges: FloatArray
    heights: FloatArray


@dataclass(frozen=True, slots=True)
class SpellTerms:
    """Log-likelihood of each row and its slopes; `location` and `log_sigma` are the arguments of the slopes.

    All arrays have the shape of the locations given, (rows, columns), and are those of one replicate.
    """

    value: FloatArray
    location: FloatArray
    log_sigma: FloatArray
    location_location: FloatArray
    location_log_sigma: FloatArray
    log_sigma_log_sigma: FloatArray


def spell_rows(
    lives: Lifetimes,
    design: FloatArray,
    centre: float,
    which: IndexArray,
    cells: GaugeCells | None = None,
) -> SpellRows:
    """Return the likelihood terms of some of the lives.

    Parameters
    ----------
    lives : Lifetimes
    design : ndarray, shape (n, columns)
        Design on the scale of the fit, intercept included.
    centre : float
        Log days taken off every log age.
    which : ndarray of int
        Which lives.
    cells : GaugeCells, optional
        What gauge readings say of some of the lives.
    """
    exact, right, left = (kind[which] for kind in (lives.exact, lives.right_censored, lives.left_censored))
    place = np.full(which.size, -1) if cells is None else cells.place(len(lives))[which]
    read = place >= 0
    groups: list[tuple[Kind, IndexArray]] = [
        ("exact", which[exact]),
        ("right", which[right & ~read]),
        ("right", which[lives.entry[which] > 0]),
        ("left", which[left & ~read]),
        ("between", which[~(exact | right | left | read)]),
        ("soft", which[read]),
    ]
    signs = (1.0, 1.0, -1.0, 1.0, 1.0, 1.0)
    ends = np.cumsum([0] + [group.size for _, group in groups])
    parts = tuple((kind, slice(ends[k], ends[k + 1])) for k, (kind, g) in enumerate(groups) if g.size)
    order = np.concatenate([group for _, group in groups])
    low = np.concatenate(
        [(lives.entry if sign < 0 else lives.lower)[g] for sign, (_, g) in zip(signs, groups, strict=True)]
    )
    log_low, log_high = _log_ages(low, lives.upper[order], centre)
    sign_of_row = np.repeat(signs, [group.size for _, group in groups])
    return SpellRows(
        parts=parts,
        low=log_low,
        high=log_high,
        design=design[order],
        weight=sign_of_row * lives.weight[order],
        site=lives.site_code[order],
        edges=np.empty((0, 0)) if cells is None else cells.edges[place[read]] - centre,
        heights=np.empty((0, 0)) if cells is None else cells.heights[place[read]],
    )


def _log_ages(low: FloatArray, upper: FloatArray, centre: float) -> tuple[FloatArray, FloatArray]:
    """Return both ends of each row as logs less `centre`; an interval keeps its width however narrow."""
    high = np.where(np.isinf(upper), 1.0, upper)
    inside = (low > 0) & (high > low)
    width = np.log1p(np.where(inside, (high - low) / np.where(inside, low, 1.0), 0.0))
    log_low = np.log(np.where(low > 0, low, 1.0)) - centre
    least = 4 * np.spacing(np.abs(log_low))
    return log_low, np.where(inside, log_low + np.maximum(width, least), np.log(high) - centre)


def spell_terms(
    rows: SpellRows, family: Family, location: FloatArray, sigma: float | FloatArray, order: Order = "full"
) -> SpellTerms:
    """Return the log-likelihood of every row at every location.

    Parameters
    ----------
    rows : SpellRows
    family : Family
    location : ndarray, shape (rows, columns)
        Log days less the centre of the rows.
    sigma : float or ndarray, shape (columns,)
    order : {"value", "location", "full"}
        How many slopes are wanted; those not wanted are left empty arrays of shape (0, 0).

    Returns
    -------
    SpellTerms
        For a known end, of the density of log T; the density of T has another -log t.
    """
    arrays = [np.empty(location.shape) for _ in range({"value": 1, "location": 3, "full": 6}[order])]
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        for kind, part in rows.parts:
            low = (rows.low[part, None] - location[part]) / sigma
            if kind == "soft":
                found = soft_terms(family, rows.edges, rows.heights, location[part], sigma, order)
            elif kind == "between":
                width = (rows.high - rows.low)[part, None] / sigma
                found = _between(family, low, width, sigma, order)
            else:
                z = (rows.high[part, None] - location[part]) / sigma if kind == "left" else low
                found = _single(family, kind, z, sigma, order)
            for target, source in zip(arrays, found, strict=True):
                target[part] = source
    nothing = np.empty((0, 0))
    filled = arrays + [nothing] * (6 - len(arrays))
    return SpellTerms(filled[0], filled[1], filled[3], filled[2], filled[4], filled[5])


def _single(
    family: Family, kind: Kind, z: FloatArray, sigma: float | FloatArray, order: Order
) -> tuple[FloatArray, ...]:
    """Return value, slope, curvature (and the rest) of a term of one standardised age."""
    if kind == "exact":
        value, count = family.log_pdf(z) - np.log(sigma), 1.0
    else:
        value, count = (family.log_sf(z) if kind == "right" else family.log_cdf(z)), 0.0
    if order == "value":
        return (value,)
    if kind == "exact":
        d1, d2 = family.score(z)
    elif kind == "right":
        d1, d2 = (-part for part in family.hazard(z))
    else:
        d1, d2 = family.reverse_hazard(z)
    slope, curve = -d1 / sigma, d2 / sigma**2
    if order == "location":
        return value, slope, curve
    zd1, zd2 = z * d1, z * d2
    return value, slope, curve, -zd1 - count, (d1 + zd2) / sigma, zd1 + z * zd2


def _between(
    family: Family, low: FloatArray, width: FloatArray | float, sigma: float | FloatArray, order: Order
) -> tuple[FloatArray, ...]:
    """Return value, slope, curvature (and the rest) of log P(low < e <= low + width).

    Slopes in log sigma are those of a shift, times `low`, plus what the upper end does on its own: no two
    numbers of the size of 1 / width are subtracted.
    """
    within = family.between(low, np.broadcast_to(width, low.shape))
    value, d1, d2, upper = within
    if order == "value":
        return (value,)
    slope, curve = -d1 / sigma, d2 / sigma**2
    if order == "location":
        return value, slope, curve
    score, _ = family.score(low + width)
    across = np.where(upper > 0, upper * (score - d1), 0.0)
    alone = np.where(upper > 0, upper * (width * score - upper), 0.0)
    zd1 = low * d1 + upper
    mixed = low * d2 + across
    square = low * low * d2 + 2 * low * across + alone
    return value, slope, curve, -zd1, (d1 + mixed) / sigma, zd1 + square
