"""Do foretold chances come true? Risk groups against what happened, with exact ranges."""

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammaincinv, pdtr

from fleetstats.errors import TrustError
from fleetstats.quantities import BoolArray, FloatArray


def binomial_range(
    events: ArrayLike, trials: ArrayLike, level: float = 0.90
) -> tuple[FloatArray, FloatArray]:
    """Return the exact range (low, high) of a share of which `events` in `trials` were seen.

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404.
    """
    seen, of = np.asarray(events, dtype=np.float64), np.asarray(trials, dtype=np.float64)
    tail = (1.0 - level) / 2.0
    low = betaincinv(np.maximum(seen, 1e-300), of - seen + 1.0, tail)
    high = betaincinv(seen + 1.0, np.maximum(of - seen, 1e-300), 1.0 - tail)
    return np.where(seen == 0, 0.0, low), np.where(seen == of, 1.0, high)


def count_range(events: ArrayLike, level: float = 0.90) -> tuple[FloatArray, FloatArray]:
    """Return the exact range (low, high) of the expected count when `events` were counted.

    References
    ----------
    Garwood 1936, Biometrika 28:437.
    """
    seen = np.asarray(events, dtype=np.float64)
    tail = (1.0 - level) / 2.0
    low = gammaincinv(np.maximum(seen, 1e-300), tail)
    return np.where(seen == 0, 0.0, low), np.asarray(gammaincinv(seen + 1.0, 1.0 - tail), dtype=np.float64)


def calibration(
    predicted: ArrayLike, observed: ArrayLike, *, groups: int = 10, level: float = 0.90
) -> pl.DataFrame:
    """Return chances against outcomes, by groups of equal size ordered by the chance.

    Parameters
    ----------
    predicted : array_like (n,)
        Chances, 0 to 1.
    observed : array_like (n,)
        True where it happened.

    Returns
    -------
    polars frame
        group (from 1, the least likely), units, predicted (mean chance), predicted_low, predicted_high (its
        extremes), events, observed (share), low, high (its exact range), agrees (the mean chance lies in it).

    Raises
    ------
    TrustError
        If lengths differ or a chance is none.
    """
    chance, happened = _checked(predicted, observed)
    rows = []
    for number, members in enumerate(np.array_split(np.argsort(chance, kind="stable"), groups), start=1):
        if members.size:
            low, high = binomial_range(happened[members].sum(), members.size, level)
            mean = float(chance[members].mean())
            rows.append(
                {
                    "group": number,
                    "units": members.size,
                    "predicted": mean,
                    "predicted_low": float(chance[members].min()),
                    "predicted_high": float(chance[members].max()),
                    "events": int(happened[members].sum()),
                    "observed": float(happened[members].mean()),
                    "low": float(low),
                    "high": float(high),
                    "agrees": bool(low <= mean <= high),
                }
            )
    return pl.DataFrame(rows)


def expected_events(lower: FloatArray, upper: FloatArray) -> FloatArray:
    """Return the failures that follow-up foretells for each unit, from cumulative hazards (n,).

    `lower` and `upper` are the cumulative hazard, from the start of follow-up, at the ends of what is known:
    equal for a failure on a known day, upper = inf for a unit still working at `lower`. For an interval it is
    the hazard used up at the failure, on average. Its sum less the failures seen is 0 on average whatever
    ended the follow-up, so units replaced before their time bias nothing: leaving them out would.

    References
    ----------
    Cox & Snell 1968, Journal of the Royal Statistical Society B 30:248; Aalen 1978, Annals of
    Statistics 6:701.
    """
    width = np.where(np.isinf(upper), 0.0, upper - lower)
    with np.errstate(over="ignore", invalid="ignore"):
        within = np.where(width > 1e-6, 1.0 - width / np.expm1(width), width / 2.0)
    return lower + within


def followed_calibration(
    chance: FloatArray,
    expected: FloatArray,
    by_draw: FloatArray,
    failed: BoolArray,
    *,
    groups: int = 10,
    level: float = 0.90,
) -> pl.DataFrame:
    """Return failures expected and seen, by groups of equal size ordered by the chance foretold.

    Parameters
    ----------
    chance : numpy.ndarray (n,)
        Chance of failure by the horizon, as foretold at the origin.
    expected : numpy.ndarray (n,)
        `expected_events` with the draws averaged as chances.
    by_draw : numpy.ndarray (n, D)
        The same under each of D draws.
    failed : numpy.ndarray (n,)

    Returns
    -------
    polars frame
        group, units, chance (mean), expected, expected_low, expected_high (range of the count foretold, draws
        and chance together), failures, ratio (failures over expected), ratio_low, ratio_high (exact range),
        agrees (failures lie in the range foretold).
    """
    rows = []
    for number, members in enumerate(np.array_split(np.argsort(chance, kind="stable"), groups), start=1):
        if members.size:
            mean, seen = float(expected[members].sum()), int(failed[members].sum())
            low, high = foretold_range(expected[members], by_draw[members], level)
            ratios = [
                float(count) / mean if mean > 0 else None for count in (seen, *count_range(seen, level))
            ]
            rows.append(
                {
                    "group": number,
                    "units": members.size,
                    "chance": float(chance[members].mean()),
                    "expected": mean,
                    "expected_low": low,
                    "expected_high": high,
                    "failures": seen,
                    "ratio": ratios[0],
                    "ratio_low": ratios[1],
                    "ratio_high": ratios[2],
                    "agrees": low <= seen <= high,
                }
            )
    return pl.DataFrame(rows)


def foretold_range(expected: FloatArray, by_draw: FloatArray, level: float = 0.90) -> tuple[int, int]:
    """Return the range of the failures foretold of n units together.

    The mean is the sum of `expected` (n,); what the draws (n, D) do to the sum widens it. Their own mean is
    not used: draws under which a unit should long have failed count for less once it has gone on working,
    and `expected` has that counted.
    """
    tail = (1.0 - level) / 2.0
    mean, sums = float(expected.sum()), by_draw.sum(axis=0)
    means = np.full(sums.shape, mean) if sums.mean() == 0.0 else sums * (mean / sums.mean())
    reached = pdtr(np.arange(float(expected.size))[:, None], means[None, :]).mean(axis=1)
    return int(np.searchsorted(reached, tail)), int(np.searchsorted(reached, 1.0 - tail))


def _checked(predicted: ArrayLike, observed: ArrayLike) -> tuple[FloatArray, BoolArray]:
    chance = np.asarray(predicted, dtype=np.float64)
    happened = np.asarray(observed, dtype=bool)
    if chance.shape != happened.shape or chance.ndim != 1:
        raise TrustError(
            f"calibration: {chance.shape} chances and {happened.shape} outcomes; accepted is one of each for "
            "every unit; line them up"
        )
    wrong = ~((chance >= 0.0) & (chance <= 1.0))
    if wrong.any():
        place = int(np.argmax(wrong))
        raise TrustError(f"calibration: chance {place} is {chance[place]}; accepted is 0 to 1; mend it")
    return chance, happened
