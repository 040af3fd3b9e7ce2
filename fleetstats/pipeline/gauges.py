"""From gauge readings to tables: how cartridges block and how far those in place have come."""

from collections.abc import Mapping
from typing import Final

import numpy as np
import polars as pl

from fleetstats.life.gauge_learn import Gauge
from fleetstats.life.gauge_now import doubts
from fleetstats.life.learn import ComponentLife
from fleetstats.pipeline.gauge_stops import at_stop, gauge_visits
from fleetstats.pipeline.gauge_units import HELD, KEY, UnitsNow, in_order, on_day, units_of
from fleetstats.quantities import Z90
from fleetstats.settings import Settings
from fleetstats.store import Relations
from fleetstats.tables import TABLES

#: A reading more likely wild than not is doubtful.
_DOUBTFUL: Final = 0.5
_CURVE_POINTS: Final = 15
_NOW: Final = TABLES["gauge_now"]


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
        names = ("gauge_laws", "gauge_now", "gauge_last", "at_stop", "gauge_visits")
        return {name: TABLES[name].of() for name in names}
    told = gauges_told(relations, now).filter(pl.col("last_read_on").is_not_null())
    stops = at_stop(relations, settings, now, intervals, due)
    return {
        "gauge_laws": pl.DataFrame([_law(name, units.gauge) for name, units in now.items()]),
        "gauge_now": told,
        "gauge_last": last_read(relations, lives),
        "at_stop": stops,
        "gauge_visits": gauge_visits(relations, now, intervals, due),
    }


def gauges_told(relations: Relations, now: Mapping[str, UnitsNow]) -> pl.DataFrame:
    """Return what gauges say of each unit in place: gauge_now, and units with faulty readings alone."""
    if not now:
        return _NOW.of()
    told = pl.concat([_now_frame(name, units, relations) for name, units in now.items()])
    held = pl.concat([units.frame.select(*KEY, "fitted_on") for units in now.values()])
    faulty = held.join(told, on=KEY, how="anti").join(_faulty(relations, held), on=KEY, how="inner")
    return pl.concat([told, faulty.drop("fitted_on")], how="diagonal")


def _faulty(relations: Relations, held: pl.DataFrame) -> pl.DataFrame:
    """Return when a faulty reading was last taken of each unit, across its housing or the line it is in."""
    faulty = relations.readings.filter(pl.col("fault").is_not_null())
    one = held.join(faulty.select(*KEY, "visit_date"), on=KEY, how="inner")
    line = faulty.filter(pl.col("component").is_null()).select("site_id", "visit_date")
    both = pl.concat([one, held.join(line, on="site_id", how="inner")])
    since = both.filter(pl.col("visit_date") > pl.col("fitted_on"))
    return since.group_by(KEY).agg(pl.col("visit_date").max().alias("faulty_on")).sort(KEY)


def _law(name: str, gauge: Gauge) -> dict[str, object]:
    blocking, errors = gauge.blocking, Z90 * gauge.fit.errors
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
    """Return units in place with a reading of their own: how far they have come, and when they end."""
    readings, row = units.gauge.readings, units.row
    own = np.flatnonzero(row >= 0)
    if not own.size:
        return _NOW.of()
    order = own[np.lexsort((readings.age_days[own], row[own]))]
    last = order[np.append(np.diff(row[order]) > 0, True)]
    unit = row[last]
    frame, ends = units.frame[unit], units.ends.take(unit)
    age = readings.age_days[last]
    low, middle, high = (ends.quantile(p) for p in (0.05, 0.5, 0.95))
    wild = doubts(units.ends, readings.take(last), unit, units.gauge.blocking)
    fitted = frame["fitted_on"]
    table = frame.select("site_id", "component", "slot", "readings").with_columns(
        last_read_on=on_day(fitted, age),
        drop_kpa=pl.Series(readings.drop_kpa[last]),
        across_all=pl.Series(readings.other_kpa[last].any(axis=1)),
        share_spent=pl.Series(np.minimum(age / middle, 1.0)),
        share_low=pl.Series(np.minimum(age / high, 1.0)),
        share_high=pl.Series(np.minimum(age / low, 1.0)),
        expected_end=on_day(fitted, middle),
        end_low=on_day(fitted, low),
        end_high=on_day(fitted, high),
        doubtful=pl.Series(wild > _DOUBTFUL),
    )
    faulty = _faulty(relations, frame.select(*KEY, "fitted_on"))
    return _NOW.to_keep(
        table.join(faulty, on=KEY, how="left", maintain_order="left").with_columns(
            faulty_on=pl.when(pl.col("faulty_on") > pl.col("last_read_on")).then("faulty_on")
        )
    )


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
        units = units_of(relations, life, life.gauge, _last_units(relations, life, life.gauge))
        held = in_order(relations, name).filter(~pl.col("removed"))["spell_id"].drop_nulls()
        told = _now_frame(name, units, relations)
        curves = _curves(units).join(told.select(KEY), on=KEY, how="semi", maintain_order="left")
        still = curves.select(*KEY, pl.col("spell_id").is_in(held.to_list()).alias("in_place"))
        found.append(told.join(curves.drop("spell_id"), on=KEY, how="left").join(still, on=KEY, how="left"))
    return pl.concat(found).sort(KEY)


def _last_units(relations: Relations, life: ComponentLife, gauge: Gauge) -> pl.DataFrame:
    """Return, for each slot, the spell that was read last among those not known to have ended when."""
    spells = relations.spells.filter(pl.col("component") == life.component).sort("spell_id")
    own = gauge.readings.life >= 0
    read = pl.DataFrame({"row": gauge.readings.life[own], "age": gauge.readings.age_days[own]})
    latest = read.group_by("row").agg(pl.col("age").max())
    numbered = spells.with_columns(row=pl.int_range(pl.len(), dtype=pl.Int64))
    rows = in_order(relations, life.component).select(*KEY, "life_row")
    return (
        numbered.join(latest, on="row", how="inner")
        .filter(pl.col("upper_days").is_infinite())
        .with_columns(on=pl.col("fitted_on") + pl.col("age").round().cast(pl.Int64) * pl.duration(days=1))
        .sort("on", "spell_id")
        .group_by(KEY, maintain_order=True)
        .last()
        .join(rows, on=KEY, how="inner")
        .with_columns(pl.col("spell_id").cast(pl.Int64), reached_days=pl.col("lower_days"))
        .sort(KEY)
        .select(HELD)
    )


def _curves(units: UnitsNow) -> pl.DataFrame:
    """Return each unit's expected drop from its fitting to its expected end."""
    low, middle, high = (units.ends.quantile(p) for p in (0.05, 0.5, 0.95))
    days = np.minimum(middle, 3650.0)[:, None] * np.linspace(0.0, 1.0, _CURVE_POINTS)
    drop = units.gauge.blocking.drop
    limit = units.gauge.blocking.limit_kpa
    return units.frame.select(*KEY, "spell_id", "fitted_on").with_columns(
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
