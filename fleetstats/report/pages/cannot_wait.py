"""What cannot wait, for the owner: units past a hard limit, open alarms, UV parts likelier spent than not."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import polars as pl

from fleetstats.components import LAMP, SLEEVE, role_of
from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Fact, Row
from fleetstats.report.results import Results
from fleetstats.report.tables import Cell, Column, Table
from fleetstats.settings import Settings

_KEY: Final = ("site_id", "component", "slot")
#: From this chance on a unit is likelier spent than not.
LIKELIER: Final = 0.5
#: So many units of a kind past their limit, half of all in service, look like records that are missing.
A_WAVE: Final = 5
_STUCK: Final = {
    "failed_sample": "usual time, until the sample is good again",
    "open_alarm": "usual time, until the alarm is put right",
}
_PLANNED: Final = ("routine", "commission")


@dataclass(frozen=True, slots=True)
class Waiting:
    """What the part shows: what is past its limit, what is open, and what is likelier spent than not."""

    overdue: Table
    overdue_told: str
    unwritten: tuple[str, ...]
    alarms: tuple[Fact, ...]
    likely: Table
    likely_told: tuple[str, ...]


def cannot_wait(results: Results) -> Waiting:
    """Return what cannot wait."""
    served = _in_service(results)
    late = [row for row in served if row["over_days"] is not None and row["over_days"] > 0]
    late.sort(key=lambda row: (_turn(results.display, row["component"]), -row["over_days"], row["site_id"]))
    passed_by = _visits_without_a_word(results, late)
    likely, likely_told = _likelier_spent(results)
    return Waiting(
        overdue=_overdue_table(results, late, passed_by),
        overdue_told=_overdue_told(results.display, served, late),
        unwritten=_unwritten(results.display, served, late, passed_by),
        alarms=_alarms(results),
        likely=likely,
        likely_told=likely_told,
    )


def _in_service(results: Results) -> list[Row]:
    """Return the units in place at served sites that have a hard limit, with how long they are past it.

    The limit is the plan's own; where nothing is planned a rated life of the settings stands in for it.
    """
    rated = {n: c.rated_life_days for n, c in results.display.components.items() if c.rated_life_days}
    usual = pl.col("component").replace_strict(rated, default=None, return_dtype=pl.Float64)
    there = results.in_place.filter(
        pl.col("served").fill_null(True) & ~pl.col("removed").fill_null(False)
    ).join(results.intervals.select(*_KEY, "deadline", "deadline_days"), on=_KEY, how="left")
    limit = pl.when(pl.col("deadline_days").is_finite()).then("deadline_days")
    return list(
        there.with_columns(
            limit_days=pl.coalesce(limit, usual),
            limit=pl.when(limit.is_not_null()).then("deadline").otherwise(pl.lit("rated_life")),
        )
        .filter(pl.col("limit_days").is_not_null())
        .with_columns(over_days=pl.col("age_days") - pl.col("limit_days"))
        .sort(_KEY)
        .iter_rows(named=True)
    )


def _turn(display: Settings, component: str) -> tuple[int, int]:
    """Return a component's turn: lamps, the rest of the UV unit, then the others in the settings' order."""
    shown, order = display.components.get(component), list(display.components)
    place = order.index(component) if component in order else len(order)
    role = role_of(display.components, component)
    of_unit = role.of_uv_unit or (shown is not None and not shown.announced)
    return (0 if role is LAMP else 1 if of_unit else 2), place


def _kinds(display: Settings, counts: Mapping[str, int]) -> list[str]:
    """Return the kinds that something was counted of, in their turn."""
    return sorted((kind for kind in counts if counts[kind]), key=lambda kind: _turn(display, kind))


def _overdue_told(display: Settings, served: list[Row], late: list[Row]) -> str:
    """Return how many units of each kind are past their limit, and how many of unknown age."""
    fitted = Counter(row["component"] for row in served)
    past = Counter(row["component"] for row in late)
    unknown = Counter(row["component"] for row in served if row["age_days"] is None)
    counts = [
        f"{words.whole(past[kind])} of {labels.counted(fitted[kind], kind)}" for kind in _kinds(display, past)
    ]
    told = (
        f"Past the longest time they may stay in as they are: {words.listed(counts)}."
        if counts
        else "No unit in service is known to be past the longest time it may stay in as it is."
    )
    if unknown.total():
        missing = [labels.counted(unknown[kind], kind) for kind in _kinds(display, unknown)]
        told += f" Of unknown age, and to be treated as due: {words.listed(missing)}."
    return told


def _visits_without_a_word(results: Results, late: list[Row]) -> dict[tuple[str, ...], int]:
    """Return how many planned visits each unit saw since it went in at which nothing was noted of it."""
    if not late:
        return {}
    visits = results.visits.filter(pl.col("visit_reason").is_in(_PLANNED))
    noted = results.work.select("visit_id", "component", pl.col("slot").fill_null(""), noted=True).unique()
    units = pl.DataFrame(
        [{name: row[name] for name in (*_KEY, "fitted_on")} for row in late],
        schema={**dict.fromkeys(_KEY, pl.String), "fitted_on": pl.Date},
    )
    met = (
        units.join(visits, on="site_id")
        .filter(pl.col("visit_date") > pl.col("fitted_on"))
        .join(noted, on=["visit_id", "component", "slot"], how="left")
        .filter(pl.col("noted").is_null())
    )
    counted = met.group_by(_KEY).len()
    return {tuple(key): count for *key, count in counted.iter_rows()}


def _unwritten(
    display: Settings, served: list[Row], late: list[Row], passed_by: Mapping[tuple[str, ...], int]
) -> tuple[str, ...]:
    """Return the cautions that work which nobody wrote down looks like work not done; none without cause."""
    few = sum(1 for row in late if _key(row) in passed_by)
    if not few:
        return ()
    those = "one of them" if few == 1 else f"{words.whole(few)} of them"
    fitted, past = (Counter(row["component"] for row in rows) for rows in (served, late))
    silent = Counter(row["component"] for row in late if _key(row) in passed_by)
    waves = [
        f"That {past[kind]} of {labels.counted(fitted[kind], kind)} are late, "
        f"{silent[kind]} of them after planned visits, looks like work that nobody writes down rather than "
        "work not done: ask the crews, and have it written down from now on."
        for kind in _kinds(display, past)
        if past[kind] >= max(A_WAVE, fitted[kind] / 2) and silent[kind] >= past[kind] / 2
    ]
    return (
        f"For {those} a planned visit since says nothing of the unit. If the work was done and not written "
        "down, enter it; until then it counts as not done.",
        *waves,
    )


def _key(row: Row) -> tuple[str, ...]:
    return tuple(row[name] for name in _KEY)


def _overdue_table(results: Results, late: list[Row], passed_by: Mapping[tuple[str, ...], int]) -> Table:
    names = parts.site_names(results.sites)
    rows = tuple(
        (
            tables.text(names.get(row["site_id"], row["site_id"]), parts.site_href(row["site_id"])),
            tables.text(labels.component(row["component"], row["slot"])),
            tables.number(_in_days(row["age_days"]), row["age_days"]),
            tables.number(_in_days(row["limit_days"]), row["limit_days"]),
            tables.text(_limit_told(results.display, row)),
            tables.day(results.as_of - timedelta(days=int(row["over_days"]))),
            tables.number(words.whole(passed_by.get(_key(row), 0)), passed_by.get(_key(row), 0)),
        )
        for row in late
    )
    columns = (
        Column("site", "Site"), Column("component", "Component"), Column("age_days", "Age", True),
        Column("limit_days", "Limit", True), Column("limit", "Which limit"), Column("passed_on", "Passed on"),
        Column("visits_without_a_word", "Planned visits since without a word of it", True),
    )  # fmt: skip
    return Table(
        "past-limit", "Past a hard limit today, lamps and sleeves first", columns, rows,
        "Nothing stands in this list.", "data/past-limit.csv",
    )  # fmt: skip


def _in_days(days: float) -> str:
    return words.counted(days, "day")


def _limit_told(display: Settings, row: Row) -> str:
    if row["limit"] == "ceiling" and role_of(display.components, row["component"]) is SLEEVE:
        return "longest time between cleanings"
    return _STUCK.get(row["limit"]) or labels.limit(row["limit"])


def _alarms(results: Results) -> tuple[Fact, ...]:
    names = parts.site_names(results.sites)
    found = []
    for row in results.sites.filter(pl.col("served").fill_null(True)).iter_rows(named=True):
        said = [
            text
            for flag, text in (("failed_sample_open", "failed sample"), ("open_alarm", "UV alarm"))
            if row[flag]
        ]
        if said:
            site = row["site_id"]
            found.append(Fact(names[site], f"{words.listed(said)} open", "", parts.site_href(site)))
    return tuple(found)


def _likelier_spent(results: Results) -> tuple[Table, tuple[str, ...]]:
    """Return the units of UV units likelier spent than not before their next renewal, and what to do."""
    display = results.display
    chances = results.intervals.filter(pl.col("failure_chance") > LIKELIER).sort(
        "failure_chance", *_KEY, descending=[True, False, False, False]
    )
    rows = [row for row in chances.iter_rows(named=True) if _turn(display, row["component"])[0] < 2]
    names = parts.site_names(results.sites)
    hardness = dict(results.sites.select("site_id", "hardness_mg_l").iter_rows())
    columns = (
        Column("site", "Site"), Column("component", "Component"),
        Column("interval_days", "Planned interval", True),
        Column("failure_chance", "Chance to be spent before", True),
        Column("hardness_mg_l", "Hardness, mg/L", True), Column("records", "From"),
    )  # fmt: skip
    table = Table(
        "likelier-spent", "Lamps and sleeves likelier spent than not before their next renewal", columns,
        tuple(_likely_row(display, row, names, hardness.get(row["site_id"])) for row in rows),
        "Nothing stands in this list.", "data/likelier-spent.csv",
    )  # fmt: skip
    return table, _likely_told(display, rows)


def _likely_told(display: Settings, rows: list[Row]) -> tuple[str, ...]:
    told = []
    counts = Counter(row["component"] for row in rows)
    for kind in _kinds(display, counts):
        name, role = labels.in_sentence(kind), role_of(display.components, kind)
        done = "cleaning" if role is SLEEVE else "renewal"
        told.append(
            f"At {words.counted(counts[kind], 'home')} the {name} is likelier {role.spent} than not before "
            f"its next {done}, even as planned. {role.remedy}"
        )
    if told:
        told.append("A shorter interval makes that rarer; it says nothing of the water in between.")
    return tuple(told)


def _likely_row(
    display: Settings, row: Row, names: dict[str, str], hardness: float | None
) -> tuple[Cell, ...]:
    spread = words.in_brackets(words.chance_range(row["failure_chance_low"], row["failure_chance_high"]))
    measured = "not measured" if hardness is None else words.whole(hardness)
    gone = role_of(display.components, row["component"]).spent
    return (
        tables.text(names.get(row["site_id"], row["site_id"]), parts.site_href(row["site_id"])),
        tables.text(labels.component(row["component"], row["slot"])),
        tables.number(words.weeks(row["interval_days"]), row["interval_days"]),
        tables.number(f"{words.chance(row['failure_chance'])}{spread}", row["failure_chance"]),
        tables.number(measured, hardness),
        tables.text(parts.evidence(row["spells"], row["failures"], gone)),
    )
