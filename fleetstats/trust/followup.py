"""What became of the units that were in place at a past date, and of the spells begun since."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats.quantities import BoolArray, FloatArray, IndexArray

SPELL_KEY = ("site_id", "slot", "fitted_on")


@dataclass(frozen=True, slots=True)
class FollowUp:
    """n spells of one component, followed from an origin to the end of a horizon.

    Attributes
    ----------
    site : numpy.ndarray (n,)
        Site ids, text.
    row : numpy.ndarray (n,)
        Row of the unit among the component's units in place at the origin.
    since_days : numpy.ndarray (n,)
        Age at which the unit was last known to work at the origin; 0 for spells begun since.
    lower_days, upper_days : numpy.ndarray (n,)
        What was known of its life at the horizon: (lower, upper], equal = that very day, inf = still working.
    horizon_days : numpy.ndarray (n,)
        Age that it would have at the horizon.
    begun : numpy.ndarray (n,) of bool
        Spells begun since the origin; a unit's stand in order of time, after the one that was in place.
    unknown : int
        Units in place at the origin of which nothing was learned since; they are not among the n.
    """

    site: NDArray[np.object_]
    row: IndexArray
    since_days: FloatArray
    lower_days: FloatArray
    upper_days: FloatArray
    horizon_days: FloatArray
    begun: BoolArray
    unknown: int

    @property
    def failed(self) -> BoolArray:
        """Return which of them were seen to fail, (n,)."""
        return np.isfinite(self.upper_days)


def follow_up(
    units: pl.DataFrame, spells: pl.DataFrame, *, announced: bool, origin: date, horizon_days: int
) -> FollowUp:
    """Return what was learned up to the horizon of the units in place at the origin and their successors.

    Parameters
    ----------
    units : polars frame
        The relation `in_place` as known at the origin, rows of one component.
    spells : polars frame
        The relation `spells` as known at origin + horizon, rows of the same component.
    announced : bool
        A failure would have been heard of, so a unit in place worked at the origin; otherwise it is only
        known to have worked when it was last looked at.
    origin : date
    horizon_days : int
    """
    places = units.with_row_index("row").with_columns(
        since_days=_last_known_to_work(announced).cast(pl.Float64)
    )
    held = places.filter(
        pl.col("served"), ~pl.col("removed"), ~pl.col("spent_seen").fill_null(False), pl.col("age_days") >= 0
    ).select("row", "since_days", *SPELL_KEY)
    ends = spells.select(*SPELL_KEY, "lower_days", "upper_days").unique(
        SPELL_KEY, keep="first", maintain_order=True
    )
    end = origin + timedelta(days=horizon_days)
    begun = ends.filter(pl.col("fitted_on") > origin, pl.col("fitted_on") < end)
    same = held.join(ends, on=list(SPELL_KEY)).with_columns(held=pl.lit(True))
    successors = begun.join(places.select("row", "site_id", "slot"), on=["site_id", "slot"]).with_columns(
        since_days=pl.lit(0.0), held=pl.lit(False)
    )
    followed = pl.concat([same, successors.select(same.columns)]).sort(SPELL_KEY)
    # A late report may tell of a failure before the origin: no forecast made at the origin is judged by it.
    learned = (pl.col("lower_days") > pl.col("since_days")) | pl.col("upper_days").is_finite()
    known = followed.with_columns(lower_days=pl.max_horizontal("lower_days", "since_days")).filter(
        learned, pl.col("upper_days") > pl.col("since_days")
    )
    age = (pl.lit(end) - pl.col("fitted_on")).dt.total_days().cast(pl.Float64)
    return FollowUp(
        site=known["site_id"].to_numpy().astype(object),
        row=known["row"].to_numpy().astype(np.intp),
        since_days=known["since_days"].to_numpy(),
        lower_days=known["lower_days"].to_numpy(),
        upper_days=known["upper_days"].to_numpy(),
        horizon_days=known.select(age).to_series().to_numpy(),
        begun=~known["held"].to_numpy(),
        unknown=held.height - int(known["held"].sum()),
    )


def _last_known_to_work(announced: bool) -> pl.Expr:
    survived = pl.col("survived_days").fill_null(0.0)
    return pl.max_horizontal(survived, "age_days") if announced else survived
