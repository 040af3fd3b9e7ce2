"""Curves without a model: product limit with late entry, and the incidence of competing ends."""

from collections.abc import Hashable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetstats.errors import LifeError
from fleetstats.life.families import quiet
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.quantities import Z90, FloatArray


def product_limit(lives: Lifetimes) -> pl.DataFrame:
    """Return the product-limit (Kaplan-Meier) curve: a row for each age of an end or a last look.

    Parameters
    ----------
    lives : Lifetimes
        Exact and right-censored only; entry and weight count, sites and covariates do not.

    Returns
    -------
    polars.DataFrame
        days; at_risk (entry < days <= exit) just before; events at that age; survival after it;
        standard_error (Greenwood; null once nobody is left, where there is none).

    Raises
    ------
    LifeError
        If a life is known only to an interval: `turnbull` takes those.

    References
    ----------
    Kaplan & Meier (1958), J. Am. Stat. Assoc. 53:457; Greenwood (1926); late entry: Klein & Moeschberger
    (2003), Survival Analysis, section 4.6.
    """
    other = ~(lives.exact | lives.right_censored)
    if other.any():
        row = int(np.flatnonzero(other)[0])
        raise LifeError(
            f"row {row} (counted from 0): found an end between {lives.lower[row]:g} and {lives.upper[row]:g} "
            "days; product_limit accepts exact and right-censored lives: use turnbull"
        )
    days, place = np.unique(lives.lower, return_inverse=True)
    events = np.bincount(place, weights=np.where(lives.exact, lives.weight, 0.0), minlength=days.size)
    at_risk = _at_risk(days, lives.lower, lives.entry, lives.weight)
    left = at_risk - events
    left[left < 1e-9 * at_risk] = 0.0  # a sum of weights less the same weights in another order
    survival = np.cumprod(left / at_risk)
    spent = survival == 0
    terms = events / (at_risk * np.where(spent, 1.0, left))
    error = np.where(spent, np.nan, survival * np.sqrt(np.cumsum(np.where(spent, 0.0, terms))))
    table = pl.DataFrame({"days": days, "at_risk": at_risk, "events": events, "survival": survival})
    return table.with_columns(standard_error=pl.Series(error).fill_nan(None))


def cumulative_incidence(
    days: npt.ArrayLike,
    cause: Sequence[Hashable] | npt.NDArray[Any] | pl.Series,
    entry: npt.ArrayLike | None = None,
) -> pl.DataFrame:
    """Return the chance of having ended by each age for each cause (Aalen-Johansen).

    Parameters
    ----------
    days : array_like, shape (n,)
        Age at the end, or when last seen.
    cause : sequence, shape (n,)
        Numbers or text; 0 (or null) = not ended.
    entry : array_like, shape (n,), optional
        Age from which each unit was watched.

    Returns
    -------
    polars.DataFrame
        days, cause, incidence, standard_error; for each cause one row at every age at which anything ended.
        Ends at one age are taken together, whatever their causes.

    Raises
    ------
    LifeError
        If an age cannot be, or the number of causes differs from that of ages.

    References
    ----------
    Aalen & Johansen (1978), Scand. J. Stat. 5:141; the variance is the delta method's, with ends at one age
    multinomial.
    """
    ends = np.array(days, dtype=np.float64)
    since = None if entry is None else np.array(entry, dtype=np.float64)
    labels: list[Any] = cause.tolist() if isinstance(cause, np.ndarray) else list(cause)
    checked = Lifetimes(ends, ends, entry=since)
    if len(labels) != ends.size:
        raise LifeError(f"cause: {len(labels)} values found for {ends.size} ages; give one for each")
    ended = np.array([label is not None and label != 0 for label in labels])
    ages = np.unique(ends[ended])
    at_risk = _at_risk(ages, ends, checked.entry, checked.weight)
    kinds = sorted({label for label, is_end in zip(labels, ended, strict=True) if is_end})
    of_kind = {kind: np.array([label == kind for label in labels]) for kind in kinds}
    events = {
        kind: np.bincount(np.searchsorted(ages, ends[of_kind[kind]]), minlength=ages.size) for kind in kinds
    }
    all_events = np.sum(list(events.values()), axis=0) if kinds else np.zeros(0)
    frames = []
    for kind in kinds:
        incidence, error = _incidence(events[kind].astype(np.float64), all_events.astype(np.float64), at_risk)
        table = {"days": ages, "cause": [kind] * ages.size, "incidence": incidence, "standard_error": error}
        frames.append(pl.DataFrame(table))
    empty = {"days": pl.Float64, "cause": pl.Int64, "incidence": pl.Float64, "standard_error": pl.Float64}
    return pl.concat(frames) if frames else pl.DataFrame(schema=empty)


@quiet
def log_log_range(share: FloatArray, error: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the 90 % range of shares with these standard errors, on the log(-log) scale; 0 and 1 have none.

    References
    ----------
    Kalbfleisch & Prentice 2002, The Statistical Analysis of Failure Time Data, sec. 1.4.
    """
    inside = (share > 0) & (share < 1)
    known = np.where(inside, share, 0.5)
    # near 0 and 1 the range may be all there is: exp(spread) is then beyond a double, and its limit right
    spread = np.where(inside, Z90 * error / np.abs(known * np.log(known)), 0.0)
    low, high = known ** np.exp(spread), known ** np.exp(-spread)
    return np.where(inside, low, share), np.where(inside, high, share)


def _at_risk(days: FloatArray, exits: FloatArray, entry: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the weight with entry < days <= exit at each of the days."""
    total = np.zeros(days.size + 1)
    np.add.at(total, np.searchsorted(days, entry, side="right"), weight)
    np.add.at(total, np.searchsorted(days, exits, side="right"), -weight)
    return np.cumsum(total)[:-1]


def _incidence(
    events: FloatArray, all_events: FloatArray, at_risk: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return incidence and standard error of one cause.

    With I(t) the incidence, S(s-) survival just before s, d ends of any cause, c of this one and n at risk,
    var = sum over s <= t of (I(t) - I(s))^2 d/(n (n - d)) + S(s-)^2 c (n - c)/n^3
    - 2 (I(t) - I(s)) S(s-) c/n^2, expanded in powers of I(t) so that running sums give it at every age.
    """
    left = at_risk - all_events
    survival = np.cumprod(left / at_risk)
    before = np.append(1.0, survival[:-1])
    incidence = np.cumsum(before * events / at_risk)
    # once nobody is left the incidence moves no more, and the first term vanishes with I(t) - I(s)
    hazard = np.where(left > 0, all_events / (at_risk * np.where(left > 0, left, 1.0)), 0.0)
    jump = before * events / at_risk**2
    own = before**2 * events * (at_risk - events) / at_risk**3
    constant = np.cumsum(hazard * incidence**2 + own + 2 * incidence * jump)
    linear = np.cumsum(hazard * incidence + jump)
    variance = constant - 2 * incidence * linear + incidence**2 * np.cumsum(hazard)
    return incidence, np.sqrt(np.maximum(variance, 0.0))
