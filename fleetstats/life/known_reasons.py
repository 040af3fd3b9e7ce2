"""Which facts on record lengthen or shorten the life of each unit against the fleet's mean."""

from collections.abc import Mapping
from typing import Final

import numpy as np
import polars as pl

from fleetstats.life.covariates import TYPICAL_DAILY_LITRES, TYPICAL_HARDNESS_MG_L
from fleetstats.life.learn import ComponentLife
from fleetstats.quantities import Z90, FloatArray
from fleetstats.tables import TABLES

#: A number this many times the fleet's middle, or less than the inverse, is worth a word.
FAR_OFF: Final = 1.5
#: A fact that moves a life by less than this factor is not.
MATTERS: Final = 1.1
_UNITS: Final[Mapping[str, float]] = {
    "log_daily_litres": TYPICAL_DAILY_LITRES, "log_hardness": TYPICAL_HARDNESS_MG_L,
}  # fmt: skip
#: Levels that are no fact of a site.
_NO_FACT: Final = ("other", "unknown")


def known_reasons(life: ComponentLife) -> pl.DataFrame:
    """Return the facts with a clear effect on each unit's life, from the component's own covariates.

    Returns
    -------
    polars frame
        site_id, component, slot, fact (the covariate), level (null for a number), value (in its own unit:
        litres a day, mg/L; null for a level), time_ratio (life with this fact over that at the mean of the
        fleet's units), low, high (90 %, on one side of 1); the fact that matters most first.
    """
    if life.covariates is None or not life.units.height:
        return TABLES["known_reasons"].of()
    size = pl.col("time_ratio").log().abs()
    return (
        pl.concat([_of_fact(life, fact) for fact in life.covariates.columns])
        .filter((pl.col("high") < 1.0) | (pl.col("low") > 1.0), size >= np.log(MATTERS))
        .sort("site_id", "slot", size, descending=[False, False, True], maintain_order=True)
    )


def _of_fact(life: ComponentLife, fact: str) -> pl.DataFrame:
    """Return one fact of every unit where it is known and, of a number, far from the fleet's middle."""
    assert life.covariates is not None
    given = life.covariates[fact]
    number = given.dtype.is_numeric()
    told = given.is_not_null() & ~given.cast(pl.String).is_in(_NO_FACT)
    if number:
        told &= (given - given.median()).abs() >= np.log(FAR_OFF)
    mean, width = _log_ratios(life, fact)
    frame = life.units.select("site_id", "component", "slot").with_columns(
        fact=pl.lit(fact),
        level=pl.lit(None, pl.String) if number else given.cast(pl.String),
        value=given.exp() * _UNITS.get(fact, 1.0) if number else pl.lit(None, pl.Float64),
        time_ratio=pl.Series(np.exp(mean)),
        low=pl.Series(np.exp(mean - width)),
        high=pl.Series(np.exp(mean + width)),
    )
    return TABLES["known_reasons"].to_keep(frame.filter(told))


def _log_ratios(life: ComponentLife, fact: str) -> tuple[FloatArray, FloatArray]:
    """Return the log time ratio of each unit's fact and half its 90 % width; families weighed."""
    coding = life.average.fits[0].lives.coding
    assert life.covariates is not None
    own = [k for k, term in enumerate(coding.terms()) if term.split("[")[0] == fact]
    design = coding.code(life.covariates)[:, own]
    off = design - design.mean(axis=0)
    rows = 1 + np.array(own, dtype=np.intp)  # the intercept comes first
    means = np.stack([off @ fit.estimate[rows] for fit in life.average.fits])
    spread = np.stack(
        [np.einsum("ij,jk,ik->i", off, fit.covariance[np.ix_(rows, rows)], off) for fit in life.average.fits]
    )
    mean = life.average.weights @ means
    width = Z90 * np.sqrt(life.average.weights @ (spread + (means - mean) ** 2))
    return mean, width
