"""How a frame of covariates becomes columns of numbers, and how later rows are coded the same way."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.errors import LifeError
from fleetstats.quantities import FloatArray

UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class NumberColumn:
    """A column of numbers: itself, and an `unknown` term where some values were missing.

    Attributes
    ----------
    name : str
    mean : float
        What stands in for a missing value.
    unknown_share : float
        Share of the rows that had no value; 0 = there is no `unknown` term.
    """

    name: str
    mean: float
    unknown_share: float

    def terms(self) -> tuple[str, ...]:
        """Return the names of the terms."""
        return (self.name, f"{self.name}[{UNKNOWN}]") if self.unknown_share > 0 else (self.name,)

    def code(self, column: pl.Series) -> FloatArray:
        """Return the coded columns, shape (n, terms)."""
        values = _numbers(column)
        missing = np.isnan(values)
        filled = np.where(missing, self.mean, values)
        return np.column_stack([filled, missing] if self.unknown_share > 0 else [filled])


@dataclass(frozen=True, slots=True)
class LevelColumn:
    """A column of text or booleans: one dummy for each level but the first in sorted order.

    Attributes
    ----------
    name : str
    levels : tuple of str
    shares : tuple of float
        Weighted share of each level, adding up to 1.
    """

    name: str
    levels: tuple[str, ...]
    shares: tuple[float, ...]

    def terms(self) -> tuple[str, ...]:
        """Return the names of the terms."""
        return tuple(f"{self.name}[{level}]" for level in self.levels[1:])

    def code(self, column: pl.Series) -> FloatArray:
        """Return the dummies, shape (n, levels - 1).

        A level never seen is taken for `unknown` where the records had unknown ones. Otherwise each dummy
        gets its level's share: all that is known of such a site is that it belongs to this fleet, and its
        location is then the fleet's average over the levels.
        """
        place = {level: k for k, level in enumerate(self.levels)}
        codes = np.array([place.get(level, -1) for level in _levels(column)], dtype=np.intp)
        if UNKNOWN in place:
            codes = np.where(codes < 0, place[UNKNOWN], codes)
        dummies = np.eye(len(self.levels))[codes]
        dummies[codes < 0] = self.shares
        return dummies[:, 1:]


@dataclass(frozen=True, slots=True)
class Coding:
    """How each covariate is coded, in column order."""

    columns: tuple[NumberColumn | LevelColumn, ...] = ()

    def terms(self) -> tuple[str, ...]:
        """Return the names of the terms, without the intercept."""
        return tuple(term for column in self.columns for term in column.terms())

    def is_number(self) -> tuple[bool, ...]:
        """Return for each term whether it is a number, scaled inside the fit, or a dummy, which is not."""
        return tuple("[" not in term[len(c.name) :] for c in self.columns for term in c.terms())

    def code(self, frame: pl.DataFrame) -> FloatArray:
        """Return the design matrix of the rows, shape (n, terms), without the intercept.

        Raises
        ------
        LifeError
            If a column is missing, or a number is infinite or not a number.
        """
        missing = [c.name for c in self.columns if c.name not in frame.columns]
        if missing:
            raise LifeError(
                f"covariates: column {missing[0]!r} is missing; the lives were given with "
                f"{', '.join(c.name for c in self.columns)}: give the same columns"
            )
        blocks = [column.code(frame[column.name]) for column in self.columns]
        return np.hstack(blocks) if blocks else np.zeros((frame.height, 0))


def learn_coding(frame: pl.DataFrame, weight: FloatArray) -> Coding:
    """Return the coding of a frame of covariates.

    Parameters
    ----------
    frame : polars.DataFrame
        Numbers stay numbers; text, categories and booleans become dummies against the first level in sorted
        order (in an enumeration's own order, where it is one); a null is the level `unknown`, or for a
        number its mean and an `unknown` term.
    weight : ndarray, shape (n,)
        Replication of each row: means and shares count it.

    Raises
    ------
    LifeError
        If a column is neither numbers nor text nor booleans, or a number is infinite.
    """
    return Coding(tuple(_learn_column(frame[name], weight) for name in frame.columns))


def _learn_column(column: pl.Series, weight: FloatArray) -> NumberColumn | LevelColumn:
    if column.dtype.is_numeric():
        values = _numbers(column)
        known = ~np.isnan(values)
        share = 0.0 if known.all() else float(weight[~known].sum() / weight.sum())
        mean = float(np.average(values[known], weights=weight[known])) if known.any() else 0.0
        return NumberColumn(column.name, mean, share)
    values = np.array(_levels(column), dtype=object)
    found, codes = np.unique(values, return_inverse=True)
    if isinstance(column.dtype, pl.Enum):  # an enumeration brings its own order
        order = [level for level in [*column.dtype.categories, UNKNOWN] if level in set(found)]
        codes = np.array([order.index(level) for level in found])[codes]
        found = np.array(order, dtype=object)
    shares = np.bincount(codes, weights=weight) / weight.sum()
    return LevelColumn(column.name, tuple(str(level) for level in found), tuple(shares.tolist()))


def _numbers(column: pl.Series) -> FloatArray:
    if not column.dtype.is_numeric() and column.dtype != pl.Null:
        raise LifeError(
            f"covariates: column {column.name!r} was numbers in the lives and is {column.dtype} here; "
            "give numbers"
        )
    values = column.cast(pl.Float64).to_numpy().astype(np.float64)
    infinite = np.isinf(values)
    if infinite.any():
        row = int(np.flatnonzero(infinite)[0])
        raise LifeError(
            f"covariates: row {row} of column {column.name!r} is {values[row]}; accepted are finite numbers, "
            "or null where it is unknown"
        )
    return values


def _levels(column: pl.Series) -> list[str]:
    kind = column.dtype
    if not (kind in (pl.String, pl.Boolean, pl.Categorical, pl.Enum, pl.Null) or kind.is_numeric()):
        raise LifeError(
            f"covariates: column {column.name!r} is {kind}; accepted are numbers, text and booleans: "
            "turn it into one of them"
        )
    return [UNKNOWN if level is None else level for level in column.cast(pl.String).to_list()]
