"""At what drop cartridges are changed at the next visit, and when gauges ask for one."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import polars as pl

from fleetstats.advice.visit_rule import CENTURY
from fleetstats.life.gauge_now import change_at
from fleetstats.pipeline.gauge_units import KEY, UnitsNow, on_day
from fleetstats.settings import Settings
from fleetstats.store import Relations

#: A cartridge that the gauge lets stay lasts to the visit after with at least this chance.
LASTS: Final = 0.9
_GRID_KPA: Final = 2.0
#: A component that is called out for nothing else ends by blocking alone, which is what a gauge shows.
ONLY_PRESSURE: Final = frozenset({"low_pressure"})


def at_stop(
    relations: Relations,
    settings: Settings,
    now: Mapping[str, UnitsNow],
    intervals: pl.DataFrame,
    due: pl.DataFrame,
) -> pl.DataFrame:
    """Return the drop from which each cartridge is changed at the next visit; below, it lasts one more.

    Where a firm reads only across all stages there is one row for them all (component null): the lowest total
    that any stage alone, the others being as far as is to be expected, makes up with its own number.

    Returns
    -------
    polars frame
        site_id, component, slot, change_at_kpa (null: change it whatever the gauge says), lasts_chance, why
        (gauge, calendar: its age alone asks for it; always: no reading would do), readings (the law rests
        on), stays (the visit rule leaves it in at that visit). Where a gauge shows only some of what ends a
        component, as with carbon, a reading never keeps in place what is due.
    """
    visits = due.select(*KEY, "visit_by", "action", stays=pl.col("action") == "inspect")
    plan = intervals.select(*KEY, "visit_interval_days", "hard_limit_days")
    found = []
    for name, units in now.items():
        terms = settings.component(name)
        rows = units.frame.with_row_index("unit").join(visits, on=KEY).join(plan, on=KEY).sort("unit")
        unit = rows["unit"].to_numpy().astype(np.intp)
        age = (rows["visit_by"] - rows["fitted_on"]).dt.total_days().to_numpy().astype(np.float64)
        until = age + rows["visit_interval_days"].to_numpy()
        # a reading in doubt is no reading at a stop: the cartridge is changed
        sure = replace(units.gauge.blocking, wild_share=1e-6)
        drop = change_at(
            units.ends.take(unit), age, until, sure,
            most_chance=1 - LASTS, grid_kpa=np.arange(4.0, sure.limit_kpa + 1, _GRID_KPA),
        )  # fmt: skip
        by_age = until > rows["hard_limit_days"].fill_null(np.inf).to_numpy()
        if not set(terms.callout_causes) <= ONLY_PRESSURE:
            by_age |= (rows["action"] == "replace").to_numpy()
        why = np.where(by_age, "calendar", np.where(drop <= 0, "always", "gauge"))
        middle = np.maximum(units.ends.take(unit).quantile(0.5), age)
        kpa = np.where(why == "gauge", np.minimum(drop, sure.limit_kpa), np.nan)
        told = rows.select(
            *KEY,
            expected_kpa=pl.Series(units.gauge.blocking.drop(age / middle)),
            change_at_kpa=pl.Series(kpa).fill_nan(None),
            lasts_chance=pl.lit(LASTS),
            why=pl.Series(why.astype(str), dtype=pl.String),
            readings=pl.lit(len(units.gauge.readings), pl.Int64),
            stays="stays",
        )
        found.append(told)
    by_housing = pl.concat(found).sort(KEY)
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
            pl.col("stays").all(),
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
    plan = intervals.select(*KEY, "failure_chance", "interval_days", "deadline_days")
    asked = [_asked(units, plan) for units in now.values()]
    read = pl.concat(asked).filter(pl.col("readings") > 0)
    sites = read["site_id"].unique()
    held = relations.in_place.filter(
        pl.col("site_id").is_in(sites.to_list()) & pl.col("fitted_on").is_not_null() & ~pl.col("removed")
    ).join(plan, on=KEY, how="inner")
    day = pl.duration(days=1)
    lasts = pl.col("deadline_days").clip(None, CENTURY).cast(pl.Int64)
    limits = held.filter(pl.col("deadline_days").is_not_null()).select(
        *KEY, pl.col("fitted_on") + lasts * day, why=pl.lit("limit")
    ).rename({"fitted_on": "seen_by"})  # fmt: skip
    unread = held.join(read, on=KEY, how="anti").select(
        *KEY, pl.col("fitted_on") + pl.col("interval_days") * day, why=pl.lit("interval")
    ).rename({"fitted_on": "seen_by"})  # fmt: skip
    gauge = read.select(*KEY, "seen_by", why=pl.lit("gauge"))
    planned = due.group_by("site_id").agg(pl.col("visit_by").min().alias("plan_visit_by"))
    counts = read.group_by("site_id").agg(pl.col("readings").sum())
    return (
        pl.concat([gauge, limits, unread])
        .sort("seen_by", *KEY)
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
    rows = units.frame.with_row_index("unit").join(plan, on=KEY, how="inner").sort("unit")
    ends = units.ends.take(rows["unit"].to_numpy().astype(np.intp))
    accepted = rows["failure_chance"].fill_null(1 - LASTS).to_numpy()
    days = np.array([ends.take(np.array([k])).quantile(chance)[0] for k, chance in enumerate(accepted)])
    return rows.select(*KEY, "readings", seen_by=on_day(rows["fitted_on"], np.floor(days)))
