"""Share still working against age, by tank and roof, without any model: product-limit or Turnbull curves."""

import numpy as np
import polars as pl

from fleetstats.life.curves import log_log_range, product_limit
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.turnbull import turnbull
from fleetstats.quantities import BoolArray, FloatArray
from fleetstats.tables import TABLES

#: Up to this share of failures known only as intervals, each is dated at the middle of its interval and the
#: product-limit curve is right enough; beyond it Turnbull's curve is drawn.
FEW_INTERVALS = 0.25
#: A stratum with fewer spells than this draws no curve of its own.
LEAST_SPELLS = 15


def strata_curves(component: str, spells: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return the curves of one component over all sites, by tank material and by roof material.

    Parameters
    ----------
    component : str
    spells : polars frame
        The relation `spells`; rows of other components are passed over.
    sites : polars frame
        The relation `sites`.

    Returns
    -------
    polars frame
        component, by (all, tank_material, roof_material), level, method (product_limit, turnbull), days,
        at_risk, events, survival, low, high (90 %; null for Turnbull), spells, failures.

    References
    ----------
    Kaplan & Meier 1958, J. Am. Stat. Assoc. 53:457; Turnbull 1976, J. R. Stat. Soc. B 38:290; the interval on
    the log(-log) scale, Kalbfleisch & Prentice 2002, sec. 1.4.
    """
    facts = sites.select("site_id", "tank_material", "roof_material")
    own = (
        spells.filter(pl.col("component") == component).join(facts, on="site_id", how="left").sort("spell_id")
    )
    found = [_stratum(component, "all", "all", own)]
    for by in ("tank_material", "roof_material"):
        for level in sorted(own[by].drop_nulls().unique().to_list()):
            found.append(_stratum(component, by, level, own.filter(pl.col(by) == level)))
    return pl.concat(found)


def _stratum(component: str, by: str, level: str, spells: pl.DataFrame) -> pl.DataFrame:
    ended = int(spells["upper_days"].is_finite().sum())
    if spells.height < LEAST_SPELLS or ended == 0:
        return TABLES["curves"].of()
    lower, upper = spells["lower_days"].to_numpy(), spells["upper_days"].to_numpy()
    between = np.isfinite(upper) & (lower < upper)
    exact = between.sum() <= FEW_INTERVALS * ended
    curve = _dated(spells, lower, upper, between) if exact else _in_between(spells)
    method = "product_limit" if exact else "turnbull"
    facts = {"component": component, "by": by, "level": level, "method": method, "spells": spells.height,
             "failures": ended}  # fmt: skip
    return TABLES["curves"].to_keep(
        curve.with_columns(pl.lit(fact).alias(name) for name, fact in facts.items())
    )


def _dated(
    spells: pl.DataFrame,
    lower: FloatArray,
    upper: FloatArray,
    between: BoolArray,
) -> pl.DataFrame:
    entry = spells["entry_days"].to_numpy()
    middle = np.where(between, 0.5 * (np.maximum(lower, entry) + np.where(between, upper, 0.0)), lower)
    watched = middle > entry  # known in place at its first look and not seen after: watched for no time
    lives = Lifetimes(
        middle[watched],
        np.where(np.isfinite(upper), middle, np.inf)[watched],
        entry=entry[watched],
    )
    curve = product_limit(lives)
    share = curve["survival"].to_numpy()
    error = curve["standard_error"].to_numpy()
    low, high = log_log_range(share, error)
    return curve.drop("standard_error").with_columns(pl.Series("low", low), pl.Series("high", high))


def _in_between(spells: pl.DataFrame) -> pl.DataFrame:
    # Turnbull's estimator knows no delayed entry: such spells (announced kinds fitted before the records)
    # are left out of this picture, never out of the life model.
    own = spells.filter(pl.col("entry_days") == 0)
    lower, upper = own["lower_days"].to_numpy(), own["upper_days"].to_numpy()
    told = (lower > 0) | np.isfinite(upper)
    masses = turnbull(Lifetimes(lower[told], upper[told])).sort("upper_days")
    days = masses["upper_days"].to_numpy()
    finite = np.isfinite(days)
    share = np.clip(1.0 - np.cumsum(masses["mass"].to_numpy()), 0.0, 1.0)[finite]
    begins = masses["lower_days"].to_numpy()[finite]
    return pl.DataFrame(
        {
            "days": days[finite],
            "at_risk": [float((upper > age).sum()) for age in begins],
            "events": masses["mass"].to_numpy()[finite] * told.sum(),
            "survival": share,
            "low": pl.Series([None] * int(finite.sum()), dtype=pl.Float64),
            "high": pl.Series([None] * int(finite.sum()), dtype=pl.Float64),
        }
    )
