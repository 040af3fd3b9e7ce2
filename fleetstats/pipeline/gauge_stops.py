"""At what drop cartridges are changed at the next visit, and when gauges ask for one."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import polars as pl

from fleetstats.advice.visit_rule import CENTURY
from fleetstats.life.blocking import Blocking
from fleetstats.life.gauge_learn import new_lines
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
    that any stage alone, the others being as far as is to be expected, makes up with its own number. No
    number lies within what clean units read there, nor, for a unit that the visit rule leaves in, below what
    it is expected to read: it would have a good unit changed, or say other than the task.

    Returns
    -------
    polars frame
        site_id, component, slot, change_at_kpa (null: change it whatever the gauge says), lasts_chance, why
        (gauge, calendar: its age alone asks for it; always: no reading would do; across_all: see the row of
        all), readings (the law rests on), stays (the visit rule leaves it in at that visit), tells_of (the
        components that a number across all is for, with commas). Where a gauge shows only some of what ends
        a component, as with carbon, a reading never keeps in place what is due.
    """
    visits = due.select(*KEY, "visit_by", "action", stays=pl.col("action") == "inspect")
    plan = intervals.select(*KEY, "visit_interval_days", "hard_limit_days")
    found = []
    for name, units in now.items():
        rows = units.frame.with_row_index("unit").join(visits, on=KEY).join(plan, on=KEY).sort("unit")
        only_pressure = set(settings.component(name).callout_causes) <= ONLY_PRESSURE
        found.append(_by_housing(units, rows, only_pressure=only_pressure))
    by_housing = pl.concat(found).sort(KEY)
    laws = {name: units.gauge.blocking for name, units in now.items()}
    in_line = _only_in_line(relations, by_housing)
    across = _across_all(relations, by_housing.filter(in_line), laws)
    # nobody reads that housing by itself
    unread = pl.Series(in_line) & (by_housing["why"] == "gauge")
    own = by_housing.with_columns(
        change_at_kpa=pl.when(~unread).then("change_at_kpa"),
        why=pl.when(unread).then(pl.lit("across_all")).otherwise("why"),
    )
    return pl.concat([own, across]).drop("expected_kpa")


def _by_housing(units: UnitsNow, rows: pl.DataFrame, *, only_pressure: bool) -> pl.DataFrame:
    """Return the number of each cartridge across its own housing, and the drop expected at the visit."""
    unit = rows["unit"].to_numpy().astype(np.intp)
    age = (rows["visit_by"] - rows["fitted_on"]).dt.total_days().to_numpy().astype(np.float64)
    until = age + rows["visit_interval_days"].to_numpy()
    # a reading in doubt is no reading at a stop: the cartridge is changed
    sure = replace(units.gauge.blocking, wild_share=1e-6)
    drop = change_at(
        units.ends.take(unit), age, until, sure,
        most_chance=1 - LASTS, grid_kpa=np.arange(4.0, sure.limit_kpa + 1, _GRID_KPA),
    )  # fmt: skip
    expected = sure.drop(age / np.maximum(units.ends.take(unit).quantile(0.5), age))
    says_nothing = (drop <= sure.clean_most_kpa) | (rows["stays"].to_numpy() & (drop <= expected))
    by_age = until > rows["hard_limit_days"].fill_null(np.inf).to_numpy()
    if not only_pressure:
        by_age |= (rows["action"] == "replace").to_numpy()
    why = np.where(by_age, "calendar", np.where(says_nothing, "always", "gauge"))
    kpa = np.where(why == "gauge", np.minimum(drop, sure.limit_kpa), np.nan)
    return rows.select(
        *KEY,
        expected_kpa=pl.Series(expected),
        change_at_kpa=pl.Series(kpa).fill_nan(None),
        lasts_chance=pl.lit(LASTS),
        why=pl.Series(why.astype(str), dtype=pl.String),
        readings=pl.lit(len(units.gauge.readings), pl.Int64),
        stays="stays",
        tells_of=pl.lit(None, pl.String),
    )


def _only_in_line(relations: Relations, by_housing: pl.DataFrame) -> pl.Series:
    """Return which cartridges stand in lines that are read as a whole and never one by one."""
    by_visit = relations.readings.select("site_id", one=pl.col("component").is_not_null())
    whole = by_visit.group_by("site_id").agg(pl.col("one").any()).filter(~pl.col("one"))["site_id"]
    return by_housing.select(
        pl.col("site_id").is_in(whole.to_list())
        & (pl.len().over("site_id", "component") == 1)
        & (pl.len().over("site_id") > 1)
    ).to_series()


def _across_all(relations: Relations, own: pl.DataFrame, laws: Mapping[str, Blocking]) -> pl.DataFrame:
    """Return the one number across all stages of each site whose housings are not read one by one."""
    whole = pl.col("expected_kpa").sum().over("site_id")
    lines = own.with_columns(whole=whole, total=pl.col("change_at_kpa") + whole - pl.col("expected_kpa"))
    lines = lines.join(_clean_most(relations, lines, laws), on="site_id", how="left", maintain_order="left")
    # where the total expected would have all of them changed, it tells nothing of those that stay
    numbered = lines.filter(pl.col("total").is_not_null()).filter(
        ~pl.col("stays") | (pl.col("total").min().over("site_id") > pl.col("whole"))
    )
    return (
        numbered.group_by("site_id", maintain_order=True)
        .agg(
            pl.lit(None, pl.String).alias("component"),
            pl.lit("").alias("slot"),
            pl.col("whole").first().alias("expected_kpa"),
            pl.col("total").min().alias("change_at_kpa"),
            pl.col("lasts_chance").first(),
            pl.lit("gauge").alias("why"),
            pl.col("readings").max(),
            pl.col("stays").all(),
            pl.col("component").str.join(",").alias("tells_of"),
            pl.col("clean_most_kpa").first(),
        )
        .filter(pl.col("change_at_kpa") > pl.col("clean_most_kpa"))
        .select(own.columns)
    )


def _clean_most(relations: Relations, lines: pl.DataFrame, laws: Mapping[str, Blocking]) -> pl.DataFrame:
    """Return the most that a clean line reads at each site: by the laws, the firm's new lines, its own."""
    new = new_lines(relations.stages_read).group_by("visit_id").agg(
        pl.col("site_id", "drop_kpa").first(), line=pl.col("component").sort().str.join(",")
    )  # fmt: skip
    sites = lines.group_by("site_id").agg(line=pl.col("component").sort().str.join(","))
    fleet = new.group_by("line").agg(of_fleet=pl.col("drop_kpa").quantile(0.95))
    own = new.group_by("site_id").agg(of_site=pl.col("drop_kpa").max())
    by_law = {line: _law_most([laws[name] for name in line.split(",")]) for line in sites["line"].unique()}
    return (
        sites.join(fleet, on="line", how="left")
        .join(own, on="site_id", how="left")
        .select(
            "site_id",
            clean_most_kpa=pl.max_horizontal(
                "of_fleet", "of_site", pl.col("line").replace_strict(by_law, return_dtype=pl.Float64)
            ),
        )
    )


def _law_most(laws: Sequence[Blocking]) -> float:
    """Return the most that clean stages in line read together by their laws."""
    clean = sum(law.clean_kpa for law in laws)
    return max(law.read_most(clean) for law in laws)


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
