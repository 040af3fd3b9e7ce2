"""Lifetimes: what is known of each life, checked before any estimator sees it."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetstats.errors import LifeError
from fleetstats.life.coding import Coding, learn_coding
from fleetstats.quantities import BoolArray, FloatArray, IndexArray


@dataclass(frozen=True, slots=True, eq=False, init=False)
class Lifetimes:
    """Lives of units of one kind, each known to lie in (lower, upper].

    Parameters
    ----------
    lower, upper : array_like, shape (n,)
        Days. lower == upper: ended at that age exactly. upper = inf: still good at `lower`. lower = 0: ended
        somewhere before `upper`. Otherwise it ended in the interval (lower, upper].
    entry : array_like, shape (n,), optional
        Days. Age from which the unit was watched; had it ended before, it would not be in the records.
        0 = from new. `lower` is raised to it.
    site : sequence of hashable, shape (n,), optional
        Which lives share a site; None: no life shares anything with another.
    covariates : polars.DataFrame, n rows, optional
        Numbers as they are; text and booleans as dummies against the first level in sorted order, term
        `column[level]`; null = level `unknown`, for a number its mean and a term `column[unknown]`.
    weight : array_like, shape (n,), optional
        Replication of the row inside its site, > 0.

    Attributes
    ----------
    lower, upper, entry, weight : ndarray, shape (n,)
        Checked, filled in, read-only.
    site_ids : tuple
        The distinct sites, sorted; empty without sites.
    site_code : ndarray of int, shape (n,)
        Place of each life's site in `site_ids`; zeros without sites.
    coding : Coding
        How covariates are coded.
    design : ndarray, shape (n, terms)
        The coded covariates, without an intercept.

    Raises
    ------
    LifeError
        Naming the first row that cannot be, what was found and what is accepted.
    """

    lower: FloatArray
    upper: FloatArray
    entry: FloatArray
    weight: FloatArray
    site_ids: tuple[Hashable, ...]
    site_code: IndexArray
    coding: Coding
    design: FloatArray

    def __init__(
        self,
        lower: npt.ArrayLike,
        upper: npt.ArrayLike,
        entry: npt.ArrayLike | None = None,
        site: Sequence[Hashable] | npt.NDArray[Any] | pl.Series | None = None,
        covariates: pl.DataFrame | None = None,
        weight: npt.ArrayLike | None = None,
    ) -> None:
        low, high = _column("lower", lower, None), _column("upper", upper, None)
        n = low.size
        since = np.zeros(n) if entry is None else _column("entry", entry, n)
        times = np.ones(n) if weight is None else _column("weight", weight, n)
        _check_lives(low, _column("upper", high, n), since, times)
        ids, code = _site_places(site, n)
        if covariates is not None and covariates.height != n:
            raise LifeError(
                f"covariates: {covariates.height} rows found for {n} lives; give one row for each life"
            )
        coding = Coding() if covariates is None else learn_coding(covariates, times)
        design = np.zeros((n, 0)) if covariates is None else coding.code(covariates)
        low = np.maximum(low, since)
        values = (low, high, since, times, ids, code, coding, design)
        for name, value in zip(self.__slots__, values, strict=True):
            if isinstance(value, np.ndarray):
                value.setflags(write=False)
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return int(self.lower.size)

    def take(self, which: IndexArray) -> Lifetimes:
        """Return some of the lives, coded as before."""
        codes, code = np.unique(self.site_code[which], return_inverse=True)
        some = object.__new__(Lifetimes)
        for name in ("lower", "upper", "entry", "weight", "design"):
            object.__setattr__(some, name, getattr(self, name)[which])
        object.__setattr__(some, "site_ids", tuple(self.site_ids[k] for k in codes) if self.site_ids else ())
        object.__setattr__(
            some, "site_code", code.astype(np.intp) if self.site_ids else self.site_code[which]
        )
        object.__setattr__(some, "coding", self.coding)
        return some

    @property
    def exact(self) -> BoolArray:
        """Return which lives ended at a known age, shape (n,)."""
        return np.equal(self.lower, self.upper)

    @property
    def right_censored(self) -> BoolArray:
        """Return which lives had not ended when last known, shape (n,)."""
        return np.isinf(self.upper)

    @property
    def left_censored(self) -> BoolArray:
        """Return which lives ended at an age known only to be below `upper`, shape (n,)."""
        return np.equal(self.lower, 0) & ~self.right_censored

    @property
    def failures(self) -> float:
        """Return the number of lives that ended, replication counted."""
        return float(self.weight[~self.right_censored].sum())


def _column(name: str, values: npt.ArrayLike, rows: int | None) -> FloatArray:
    try:
        column = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise LifeError(
            f"{name}: found something that is not a number; accepted are numbers of days"
        ) from None
    if column.ndim != 1 or column.size == 0:
        raise LifeError(
            f"{name}: shape {column.shape} found; accepted is one value for each life, at least one"
        )
    if rows is not None and column.size != rows:
        raise LifeError(f"{name}: {column.size} values found for {rows} lives; give one value for each life")
    return column


def _check_lives(lower: FloatArray, upper: FloatArray, entry: FloatArray, weight: FloatArray) -> None:
    """Raise for the first row that breaks a rule; the rules stand in the order in which they explain best."""
    rules = (
        (
            np.isnan(lower) | np.isnan(upper),
            "a lower or upper that is missing",
            "numbers; upper = inf if not ended",
        ),
        (
            np.isnan(entry) | np.isinf(entry) | (entry < 0),
            "an entry below 0 or missing",
            "0 (from new) or an age",
        ),
        (~(weight > 0) | np.isinf(weight), "a weight that is not above 0", "finite weights above 0"),
        ((lower < 0) | np.isinf(lower), "a lower that is below 0 or infinite", "0 or a finite age in days"),
        ((lower == 0) & np.isinf(upper), "lower = 0 with upper = inf, which says nothing", "lower above 0"),
        (upper <= 0, "an end at age 0 or before", "upper above 0; leave lives of 0 days out"),
        (lower > upper, "lower above upper", "lower <= upper"),
        (upper <= entry, "an end at or before entry", "upper above entry; leave such a life out"),
    )
    for broken, found, accepted in rules:
        if broken.any():
            row = int(np.flatnonzero(broken)[0])
            raise LifeError(
                f"row {row} (counted from 0): found {found} (lower {lower[row]:g}, upper {upper[row]:g}, "
                f"entry {entry[row]:g}, weight {weight[row]:g}); accepted: {accepted}"
            )


def _site_places(site: Iterable[Hashable] | None, n: int) -> tuple[tuple[Hashable, ...], IndexArray]:
    if site is None:
        return (), np.zeros(n, dtype=np.intp)
    ids: list[Hashable] = site.tolist() if isinstance(site, np.ndarray) else list(site)
    if len(ids) != n:
        raise LifeError(f"site: {len(ids)} values found for {n} lives; give one site for each life")
    missing = next((row for row, value in enumerate(ids) if _is_missing(value)), None)
    if missing is not None:
        raise LifeError(f"row {missing} (counted from 0): found no site; accepted: an id for every life")
    distinct = set(ids)
    try:
        order = sorted(distinct)  # type: ignore[type-var]
    except TypeError:  # ids of several types have no order of their own
        order = sorted(distinct, key=lambda value: (type(value).__name__, str(value)))
    place = {value: k for k, value in enumerate(order)}
    return tuple(order), np.array([place[value] for value in ids], dtype=np.intp)


def _is_missing(value: Hashable) -> bool:
    return value is None or (isinstance(value, float) and np.isnan(value))
