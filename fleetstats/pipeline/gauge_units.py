"""Units whose age is known, mostly those in place now, and when they may end by their gauges."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from fleetstats.life.gauge_learn import Gauge
from fleetstats.life.gauge_now import Ends, ends_now
from fleetstats.life.learn import ComponentLife
from fleetstats.quantities import FloatArray, IntArray
from fleetstats.store import Relations

#: What tells the slots of a fleet apart.
KEY: Final = ("site_id", "component", "slot")
#: Columns that `units_of` needs.
HELD: Final = (*KEY, "life_row", "spell_id", "fitted_on", "reached_days")


@dataclass(frozen=True, slots=True, eq=False)
class UnitsNow:
    """Units of one component whose age is known, mostly those in place, and when they may end.

    Attributes
    ----------
    frame : polars frame, n rows
        site_id, component, slot, life_row (in the component's draws), spell_id, fitted_on, reached_days (age
        known to be reached), readings (of its own).
    ends : Ends
    row : ndarray of int
        Unit (row of `frame`) of each of the component's readings, -1 = none of these.
    gauge : Gauge
    """

    frame: pl.DataFrame
    ends: Ends
    row: IntArray
    gauge: Gauge

    def spent_by(self, life_row: IntArray, age_days: FloatArray) -> FloatArray:
        """Return the chance that units are spent by an age; nan where no reading of theirs says."""
        place = dict(zip(self.frame["life_row"].to_list(), range(self.frame.height), strict=True))
        rows = np.array([place.get(int(row), -1) for row in life_row], dtype=np.intp)
        read = (rows >= 0) & (self.frame["readings"].to_numpy()[rows] > 0)
        out = np.full(rows.size, np.nan)
        out[read] = self.ends.take(rows[read]).spent_by(age_days[read])
        return out


def units_now(relations: Relations, lives: Mapping[str, ComponentLife]) -> dict[str, UnitsNow]:
    """Return the units in place now of every component that gauges tell of."""
    found = {}
    for name, life in lives.items():
        if life.gauge is None:
            continue
        held = in_order(relations, name).filter(
            pl.col("fitted_on").is_not_null() & ~pl.col("removed") & ~pl.col("spent_seen")
        )
        found[name] = units_of(relations, life, life.gauge, held.select(HELD))
    return found


def in_order(relations: Relations, component: str) -> pl.DataFrame:
    """Return the component's rows of in_place, in the order of its draws."""
    held = relations.in_place.filter(pl.col("component") == component).with_row_index("life_row")
    return held.with_columns(
        pl.col("life_row", "spell_id").cast(pl.Int64),
        reached_days=pl.col("survived_days").fill_null(0.0),
    )


def units_of(relations: Relations, life: ComponentLife, gauge: Gauge, frame: pl.DataFrame) -> UnitsNow:
    """Return when the units of a frame end; columns `HELD`."""
    spells = relations.spells.filter(pl.col("component") == life.component).sort("spell_id")["spell_id"]
    unit_of_spell = dict(zip(frame["spell_id"].to_list(), range(frame.height), strict=True))
    of_life = np.array([unit_of_spell.get(spell, -1) for spell in spells.to_list()] + [-1], dtype=np.intp)
    row = of_life[gauge.readings.life]
    ends = ends_now(
        life.lives,
        frame["life_row"].to_numpy().astype(np.intp),
        np.maximum(frame["reached_days"].to_numpy(), 1.0),
        readings=gauge.readings,
        row=row,
        blocking=gauge.blocking,
    )
    counts = np.bincount(row[row >= 0], minlength=frame.height)
    return UnitsNow(frame.with_columns(readings=pl.Series(counts, dtype=pl.Int64)), ends, row, gauge)


def on_day(fitted: pl.Series, age_days: FloatArray) -> pl.Series:
    """Return the days on which ages are reached; a far day stays within what a calendar holds."""
    days = np.minimum(np.rint(age_days), 36_500).astype(np.int64)
    return fitted + pl.Series(days).cast(pl.Duration("ms")) * 86_400_000
