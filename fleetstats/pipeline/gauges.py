"""From gauge readings to tables: how cartridges block, how far those in place have come, when to change them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl

from fleetstats.life.families import FloatArray
from fleetstats.life.gauge_cells import IntArray
from fleetstats.life.gauge_learn import Gauge
from fleetstats.life.gauge_now import Ends, change_at, doubts, ends_now
from fleetstats.life.learn import ComponentLife
from fleetstats.settings import Settings
from fleetstats.store import Relations

#: A cartridge that the gauge lets stay lasts to the visit after with at least this chance.
LASTS: Final = 0.9
#: A reading more likely wild than not is doubtful.
_DOUBTFUL: Final = 0.5
_GRID_KPA: Final = 2.0
_CURVE_POINTS: Final = 15
_KEY: Final = ("site_id", "component", "slot")
_ONLY_PRESSURE: Final = frozenset({"low_pressure"})
_NOW: Final = {
    "site_id": pl.String, "component": pl.String, "slot": pl.String, "last_read_on": pl.Date,
    "drop_kpa": pl.Float64, "across_all": pl.Boolean, "share_spent": pl.Float64, "share_low": pl.Float64,
    "share_high": pl.Float64, "expected_end": pl.Date, "end_low": pl.Date, "end_high": pl.Date,
    "doubtful": pl.Boolean, "readings": pl.Int64,
}  # fmt: skip


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


_HELD: Final = (*_KEY, "life_row", "spell_id", "fitted_on", "reached_days")


def units_now(relations: Relations, lives: Mapping[str, ComponentLife]) -> dict[str, UnitsNow]:
    """Return the units in place now of every component that gauges tell of."""
    found = {}
    for name, life in lives.items():
        if life.gauge is None:
            continue
        held = _in_place(relations, name).filter(
            pl.col("fitted_on").is_not_null() & ~pl.col("removed") & ~pl.col("spent_seen")
        )
        found[name] = _units(relations, life, life.gauge, held.select(_HELD))
    return found


def _in_place(relations: Relations, component: str) -> pl.DataFrame:
    """Return the component's rows of in_place, in the order of its draws."""
    held = relations.in_place.filter(pl.col("component") == component).with_row_index("life_row")
    return held.with_columns(
        pl.col("life_row", "spell_id").cast(pl.Int64),
        reached_days=pl.col("survived_days").fill_null(0.0),
    )


def _units(relations: Relations, life: ComponentLife, gauge: Gauge, frame: pl.DataFrame) -> UnitsNow:
    """Return when the units of a frame end; columns `_HELD`."""
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


def last_read(relations: Relations, lives: Mapping[str, ComponentLife]) -> pl.DataFrame:
    """Return how far the last unit read in each slot had come, taken out since or not: its curve and its end.

    Returns
    -------
    polars frame
        As gauge_now, and fitted_on, in_place, days (list, since fitted_on), kpa, low_kpa, high_kpa (lists:
        the drop expected by then, with the 90 % range of this unit's life).
    """
    found = []
    for name, life in lives.items():
        if life.gauge is None:
            continue
        units = _units(relations, life, life.gauge, _last_units(relations, life, life.gauge))
        held = _in_place(relations, name).filter(~pl.col("removed"))["spell_id"].drop_nulls()
        told = _now_frame(name, units, relations)
        curves = _curves(units).join(told.select(_KEY), on=_KEY, how="semi", maintain_order="left")
        still = curves.select(*_KEY, pl.col("spell_id").is_in(held.to_list()).alias("in_place"))
        found.append(told.join(curves.drop("spell_id"), on=_KEY, how="left").join(still, on=_KEY, how="left"))
    return pl.concat(found).sort(_KEY)


def _last_units(relations: Relations, life: ComponentLife, gauge: Gauge) -> pl.DataFrame:
    """Return, for each slot, the spell that was read last among those not known to have ended when."""
    spells = relations.spells.filter(pl.col("component") == life.component).sort("spell_id")
    own = gauge.readings.life >= 0
    read = pl.DataFrame({"row": gauge.readings.life[own], "age": gauge.readings.age_days[own]})
    latest = read.group_by("row").agg(pl.col("age").max())
    numbered = spells.with_columns(row=pl.int_range(pl.len(), dtype=pl.Int64))
    rows = _in_place(relations, life.component).select(*_KEY, "life_row")
    return (
        numbered.join(latest, on="row", how="inner")
        .filter(pl.col("upper_days").is_infinite())
        .with_columns(on=pl.col("fitted_on") + pl.col("age").round().cast(pl.Int64) * pl.duration(days=1))
        .sort("on", "spell_id")
        .group_by(_KEY, maintain_order=True)
        .last()
        .join(rows, on=_KEY, how="inner")
        .with_columns(pl.col("spell_id").cast(pl.Int64), reached_days=pl.col("lower_days"))
        .sort(_KEY)
        .select(_HELD)
    )


def _curves(units: UnitsNow) -> pl.DataFrame:
    """Return each unit's expected drop from its fitting to its expected end."""
    low, middle, high = (units.ends.quantile(p) for p in (0.05, 0.5, 0.95))
    days = np.minimum(middle, 3650.0)[:, None] * np.linspace(0.0, 1.0, _CURVE_POINTS)
    drop = units.gauge.blocking.drop
    limit = units.gauge.blocking.limit_kpa
    return units.frame.select(*_KEY, "spell_id", "fitted_on").with_columns(
        *(
            pl.Series(name, np.round(values, 1).tolist(), dtype=pl.List(pl.Float64))
            for name, values in (
                ("days", days),
                ("kpa", drop(days / middle[:, None])),
                ("low_kpa", drop(days / high[:, None])),
                ("high_kpa", np.minimum(drop(days / low[:, None]), 1.2 * limit)),
            )
        )
    )


def gauge_tables(
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    now: Mapping[str, UnitsNow],
    intervals: pl.DataFrame,
    due: pl.DataFrame,
) -> dict[str, pl.DataFrame]:
    """Return the tables gauge_laws, gauge_now, gauge_last, at_stop and gauge_visits.

    Parameters
    ----------
    intervals, due : polars frames
        The tables of these names.
    """
    if not now:
        return {}
    told = pl.concat([_now_frame(name, units, relations) for name, units in now.items()])
    stops = at_stop(relations, settings, now, intervals, due)
    return {
        "gauge_laws": pl.DataFrame([_law(name, units.gauge) for name, units in now.items()]),
        "gauge_now": told,
        "gauge_last": last_read(relations, lives),
        "at_stop": stops,
        "gauge_visits": gauge_visits(relations, now, intervals, due),
    }


def _law(name: str, gauge: Gauge) -> dict[str, object]:
    blocking, errors = gauge.blocking, 1.645 * gauge.fit.errors
    return {
        "component": name,
        "law": blocking.law,
        "law_index": blocking.index,
        "law_index_low": max(0.0, blocking.index - errors[1]),
        "law_index_high": min(2.0, blocking.index + errors[1]),
        "clean_kpa": blocking.clean_kpa,
        "clean_low_kpa": blocking.clean_kpa * np.exp(-errors[0]),
        "clean_high_kpa": blocking.clean_kpa * np.exp(errors[0]),
        "limit_kpa": blocking.limit_kpa,
        "spread": blocking.spread,
        "gauge_error_kpa": blocking.gauge_kpa,
        "doubtful_share": blocking.wild_share,
        "readings": len(gauge.readings),
        "readings_across_all": gauge.across_all,
    }


def _now_frame(name: str, units: UnitsNow, relations: Relations) -> pl.DataFrame:
    """Return the units in place that have a reading of their own: how far they have come, and when they end."""
    readings, row = units.gauge.readings, units.row
    own = np.flatnonzero(row >= 0)
    if not own.size:
        return pl.DataFrame(schema=_NOW)
    order = own[np.lexsort((readings.age_days[own], row[own]))]
    last = order[np.append(np.diff(row[order]) > 0, True)]
    unit = row[last]
    frame, ends = units.frame[unit], units.ends.take(unit)
    age = readings.age_days[last]
    low, middle, high = (ends.quantile(p) for p in (0.05, 0.5, 0.95))
    wild = doubts(units.ends, readings.take(last), unit, units.gauge.blocking)
    fitted = frame["fitted_on"]
    table = frame.select("site_id", "component", "slot", "readings").with_columns(
        last_read_on=_on(fitted, age),
        drop_kpa=pl.Series(readings.drop_kpa[last]),
        across_all=pl.Series(readings.other_kpa[last].any(axis=1)),
        share_spent=pl.Series(np.minimum(age / middle, 1.0)),
        share_low=pl.Series(np.minimum(age / high, 1.0)),
        share_high=pl.Series(np.minimum(age / low, 1.0)),
        expected_end=_on(fitted, middle),
        end_low=_on(fitted, low),
        end_high=_on(fitted, high),
        doubtful=pl.Series(wild > _DOUBTFUL),
    )
    faulty = relations.readings.filter(pl.col("fault").is_not_null() & (pl.col("component") == name))
    latest = faulty.group_by("site_id", "component", "slot").agg(
        pl.col("visit_date").max().alias("faulty_on")
    )
    return (
        table.join(latest, on=_KEY, how="left", maintain_order="left")
        .with_columns(
            doubtful=pl.col("doubtful") | (pl.col("faulty_on") >= pl.col("last_read_on")).fill_null(False)
        )
        .select(pl.col(column).cast(kind) for column, kind in _NOW.items())
    )


def _on(fitted: pl.Series, age_days: FloatArray) -> pl.Series:
    """Return the days on which ages are reached; a far day stays within what a calendar holds."""
    days = np.minimum(np.rint(age_days), 36_500).astype(np.int64)
    return fitted + pl.Series(days).cast(pl.Duration("ms")) * 86_400_000


def at_stop(
    relations: Relations,
    settings: Settings,
    now: Mapping[str, UnitsNow],
    intervals: pl.DataFrame,
    due: pl.DataFrame,
) -> pl.DataFrame:
    """Return the drop at which each cartridge is changed at the next visit, else it lasts to the visit after.

    Where a firm reads only across all stages there is one row for them all (component null): the lowest total
    that any stage alone, the others being as far as is to be expected, makes up with its own number.

    Returns
    -------
    polars frame
        site_id, component, slot, change_at_kpa (null: change it whatever the gauge says), lasts_chance, why
        (gauge, calendar: its age alone asks for it; always: no reading would do), readings (the law rests on).
        Where a gauge shows only some of what ends a component, as with carbon, a reading never keeps in place
        what is due.
    """
    visits = due.select(*_KEY, "visit_by", "action")
    plan = intervals.select(*_KEY, "visit_interval_days", "deadline_days")
    found = []
    for name, units in now.items():
        terms = settings.component(name)
        limit = units.gauge.blocking.limit_kpa
        rows = units.frame.with_row_index("unit").join(visits, on=_KEY).join(plan, on=_KEY).sort("unit")
        unit = rows["unit"].to_numpy().astype(np.intp)
        age = (rows["visit_by"] - rows["fitted_on"]).dt.total_days().to_numpy().astype(np.float64)
        until = age + rows["visit_interval_days"].to_numpy()
        # a reading in doubt is no reading at a stop: the cartridge is changed
        sure = replace(units.gauge.blocking, wild_share=1e-6)
        drop = change_at(
            units.ends.take(unit), age, until, sure,
            most_chance=1 - LASTS, grid_kpa=np.arange(4.0, limit + 1, _GRID_KPA),
        )  # fmt: skip
        by_age = until > rows["deadline_days"].fill_null(np.inf).to_numpy()
        if not set(terms.callout_causes) <= _ONLY_PRESSURE:
            by_age |= (rows["action"] == "replace").to_numpy()
        why = np.where(by_age, "calendar", np.where(drop <= 0, "always", "gauge"))
        middle = np.maximum(units.ends.take(unit).quantile(0.5), age)
        found.append(
            rows.select(
                *_KEY,
                expected_kpa=pl.Series(units.gauge.blocking.drop(age / middle)),
                change_at_kpa=pl.Series(np.where(why == "gauge", np.minimum(drop, limit), np.nan)).fill_nan(
                    None
                ),
                lasts_chance=pl.lit(LASTS),
                why=pl.Series(why.astype(str), dtype=pl.String),
                readings=pl.lit(len(units.gauge.readings), pl.Int64),
            )
        )
    by_housing = pl.concat(found).sort(_KEY)
    return pl.concat([by_housing, _across_all(relations, by_housing)]).drop("expected_kpa")


def _across_all(relations: Relations, by_housing: pl.DataFrame) -> pl.DataFrame:
    """Return the one number across all stages of each site whose housings are not read one by one."""
    one_by_one = relations.readings.filter(pl.col("component").is_not_null())["site_id"].unique()
    read = relations.readings.filter(pl.col("component").is_null())["site_id"].unique()
    own = by_housing.filter(
        pl.col("site_id").is_in(read.to_list())
        & ~pl.col("site_id").is_in(one_by_one.to_list())
        & (pl.len().over("site_id", "component") == 1)
    )
    others = pl.col("expected_kpa").sum().over("site_id") - pl.col("expected_kpa")
    return (
        own.filter(pl.len().over("site_id") > 1)
        .with_columns(total=pl.col("change_at_kpa") + others)
        .group_by("site_id", maintain_order=True)
        .agg(
            pl.lit(None, pl.String).alias("component"),
            pl.lit("").alias("slot"),
            pl.col("expected_kpa").sum(),
            pl.col("total").min().alias("change_at_kpa"),
            pl.col("lasts_chance").first(),
            pl.col("readings").max(),
        )
        .filter(pl.col("change_at_kpa").is_not_null())
        .with_columns(why=pl.lit("gauge"))
        .select(by_housing.columns)
    )


def gauge_visits(
    relations: Relations, now: Mapping[str, UnitsNow], intervals: pl.DataFrame, due: pl.DataFrame
) -> pl.DataFrame:
    """Return when each site with readings should next be seen by its gauges, beside the plan's date.

    A unit is seen before its chance of being spent passes what its plan accepts of a fresh one; no later than
    any hard limit of a component there, nor, for what no gauge tells of, than its own interval.

    Returns
    -------
    polars frame
        site_id, plan_visit_by, seen_by, component and slot (that ask for that day), why (gauge, limit,
        interval), readings (of the site's units in place).
    """
    plan = intervals.select(*_KEY, "failure_chance", "interval_days", "deadline_days")
    asked = [_asked(units, plan) for units in now.values()]
    read = pl.concat(asked).filter(pl.col("readings") > 0)
    sites = read["site_id"].unique()
    held = relations.in_place.filter(
        pl.col("site_id").is_in(sites.to_list()) & pl.col("fitted_on").is_not_null() & ~pl.col("removed")
    ).join(plan, on=_KEY, how="inner")
    day = pl.duration(days=1)
    limits = held.filter(pl.col("deadline_days").is_not_null()).select(
        *_KEY, pl.col("fitted_on") + pl.col("deadline_days").cast(pl.Int64) * day, why=pl.lit("limit")
    ).rename({"fitted_on": "seen_by"})  # fmt: skip
    unread = held.join(read, on=_KEY, how="anti").select(
        *_KEY, pl.col("fitted_on") + pl.col("interval_days") * day, why=pl.lit("interval")
    ).rename({"fitted_on": "seen_by"})  # fmt: skip
    gauge = read.select(*_KEY, "seen_by", why=pl.lit("gauge"))
    planned = due.group_by("site_id").agg(pl.col("visit_by").min().alias("plan_visit_by"))
    counts = read.group_by("site_id").agg(pl.col("readings").sum())
    return (
        pl.concat([gauge, limits, unread])
        .sort("seen_by", *_KEY)
        .group_by("site_id", maintain_order=True)
        .first()
        .join(planned, on="site_id", how="inner")
        .join(counts, on="site_id", how="left")
        .with_columns(seen_by=pl.max_horizontal("seen_by", pl.lit(relations.as_of)))
        .select("site_id", "plan_visit_by", "seen_by", "component", "slot", "why", "readings")
        .sort("site_id")
    )


def _asked(units: UnitsNow, plan: pl.DataFrame) -> pl.DataFrame:
    """Return the day on which each unit's chance of being spent passes what its plan accepts."""
    rows = units.frame.with_row_index("unit").join(plan, on=_KEY, how="inner").sort("unit")
    ends = units.ends.take(rows["unit"].to_numpy().astype(np.intp))
    accepted = rows["failure_chance"].fill_null(1 - LASTS).to_numpy()
    days = np.array([ends.take(np.array([k])).quantile(chance)[0] for k, chance in enumerate(accepted)])
    return rows.select(*_KEY, "readings", seen_by=_on(rows["fitted_on"], np.floor(days)))
