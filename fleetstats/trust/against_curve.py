"""Failures seen against those the learned lives foretell: in the first weeks, and by calendar time."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import BoolArray, FloatArray, IndexArray
from fleetstats.tables import TABLES
from fleetstats.trust.calibration import count_range
from fleetstats.trust.outlook import Outlook

#: A unit weak from the start is gone within this time; a sound one hardly ever (common practice).
EARLY_DAYS = 60.0
MORE, FEWER, ALIKE = "more than foretold", "fewer than foretold", "as foretold"


@dataclass(frozen=True, slots=True)
class Watched:
    """n spells of one component of an announced kind, as they were watched.

    Attributes
    ----------
    component : str
    lives : LifeDraws
        Of these very spells: rows as the spells.
    fitted : ndarray of datetime64[D], shape (n,)
    entry_days, end_days : ndarray, shape (n,)
        Watched from and to these ages; a failure known to an interval is dated at its middle.
    failed : ndarray of bool, shape (n,)
    """

    component: str
    lives: LifeDraws
    fitted: NDArray[np.datetime64]
    entry_days: FloatArray
    end_days: FloatArray
    failed: BoolArray


def watched(component: str, spells: pl.DataFrame, lives: LifeDraws) -> Watched:
    """Return the spells as they were watched.

    Parameters
    ----------
    component : str
    spells : polars frame
        The relation `spells`, rows of `component`.
    lives : LifeDraws
        Rows as `spells`.
    """
    lower, upper = spells["lower_days"].to_numpy(), spells["upper_days"].to_numpy()
    failed = np.isfinite(upper)
    return Watched(
        component,
        lives,
        spells["fitted_on"].to_numpy().astype("datetime64[D]"),
        spells["entry_days"].to_numpy(),
        np.where(failed, 0.5 * (lower + np.where(failed, upper, 0.0)), lower),
        failed,
    )


def early_deaths(seen: Watched) -> pl.DataFrame:
    """Return failures in the first weeks, and after them, against those foretold: `early_deaths`.

    Weak-from-the-start units show as more failures early than a curve of ageing has room for. The range of
    the ratio is exact for the count; the expectation is taken as known.
    """
    rows = []
    for start, stop in ((0.0, EARLY_DAYS), (EARLY_DAYS, np.inf)):
        begin, end = np.maximum(seen.entry_days, start), np.minimum(seen.end_days, stop)
        rows_in = np.flatnonzero(end > begin)
        failures = int((seen.failed & (seen.end_days > start) & (seen.end_days <= stop))[rows_in].sum())
        expected = float(_expected(seen, rows_in, begin[rows_in], end[rows_in]).sum())
        rows.append(
            {"component": seen.component, "from_days": start, "to_days": stop if stop < np.inf else None}
            | _against(rows_in.size, failures, expected)
        )
    return TABLES["early_deaths"].of(rows)


def by_calendar(seen: Watched, *, first: date, last: date) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return failures by calendar year, and by month of the year, against those foretold.

    A drought or ash year shows as a year with more than its age of parts foretells, leaf fall as a month.

    Parameters
    ----------
    seen : Watched
    first, last : date
        Of the records.

    Returns
    -------
    years, months : polars frames
        The tables `lives_by_year` and `lives_by_month`.

    References
    ----------
    Observed over expected events with exact Poisson ranges: Breslow & Day 1987, Statistical Methods in
    Cancer Research II, sec. 2.3 (memory).
    """
    month = np.arange(np.datetime64(first, "M"), np.datetime64(last, "M") + 1)
    pieces = [_in_month(seen, begins) for begins in month]
    year = 1970 + month.astype("datetime64[Y]").astype(np.int64)
    own = {"component": seen.component}
    # whom a year watches is counted once, however many of its months he stands in
    years = [
        own | {"year": int(k)} | _summed([piece for piece, y in zip(pieces, year, strict=True) if y == k])
        for k in np.unique(year)
    ]
    of_year = month.astype(np.int64) % 12 + 1
    months = [
        own | {"month": k} | _summed([piece for piece, m in zip(pieces, of_year, strict=True) if m == k])
        for k in range(1, 13)
    ]
    by_year, by_month = TABLES["lives_by_year"].of(years), TABLES["lives_by_month"].of(months)
    return by_year.filter(pl.col("spells") > 0), by_month.filter(pl.col("spells") > 0)


def _in_month(seen: Watched, begins: np.datetime64) -> tuple[IndexArray, int, float]:
    """Return which spells a month watched, how many failed in it, and how many should have."""
    start, stop = (
        (day.astype("datetime64[D]") - seen.fitted).astype(np.float64) for day in (begins, begins + 1)
    )
    begin, end = np.maximum(seen.entry_days, start), np.minimum(seen.end_days, stop)
    rows = np.flatnonzero(end > begin)
    failures = int((seen.failed & (seen.end_days > start) & (seen.end_days <= stop))[rows].sum())
    return rows, failures, float(_expected(seen, rows, begin[rows], end[rows]).sum())


def _summed(pieces: list[tuple[IndexArray, int, float]]) -> dict[str, object]:
    if not pieces:
        return _against(0, 0, 0.0)
    spells = np.unique(np.concatenate([rows for rows, _, _ in pieces])).size
    return _against(spells, sum(count for _, count, _ in pieces), sum(hazard for _, _, hazard in pieces))


def _expected(seen: Watched, rows: IndexArray, begin: FloatArray, end: FloatArray) -> FloatArray:
    # the draws rest on these very spells: the mean hazard is what adds up to the failures, not the hazard of
    # the mean share, which lags behind it
    return np.asarray(Outlook(seen.lives.take(rows), begin).hazard_draws(end).mean(axis=1), dtype=np.float64)


def _against(spells: int, failures: int, expected: float) -> dict[str, object]:
    low, high = (float(bound) / expected if expected > 0 else None for bound in count_range(failures))
    finding = ALIKE
    if low is not None and high is not None and (low > 1 or high < 1):
        finding = MORE if low > 1 else FEWER
    return {
        "spells": spells,
        "failures": failures,
        "expected": expected,
        "ratio": failures / expected if expected > 0 else None,
        "ratio_low": low,
        "ratio_high": high,
        "finding": finding,
    }
