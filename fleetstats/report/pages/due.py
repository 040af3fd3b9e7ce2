"""The due list in the reader's words: stops at sites, the van load, the whole list, most urgent first."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import polars as pl

from fleetstats.advice.due_words import OF_SITE
from fleetstats.components import noun_of
from fleetstats.report import labels, tables, words
from fleetstats.report.pages import gauges, parts
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table

#: A chance of being spent below this is not worth a technician's reading; the whole list has them all.
WORTH_SAYING = 0.05
_KEY = ("site_id", "component", "slot")


@dataclass(frozen=True, slots=True)
class Task:
    """One component at a stop: what to do, and why, with the chance that it is spent already."""

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Stop:
    """One visit: which site, when, what for, the gauge's number; `urgent` says why it cannot wait."""

    site_id: str
    name: str
    href: str
    crew: str
    when: str
    urgent: str
    tasks: tuple[Task, ...]
    gauge: str
    ends: date


def ordered(results: Results, due: pl.DataFrame) -> pl.DataFrame:
    """Return lines of the due list with the part in place, most urgent first (by rank, else as they come)."""
    held = results.in_place.filter(~pl.col("removed").fill_null(False)).select(
        *_KEY, part_in_place="part_number"
    )
    lines = due.join(held, on=_KEY, how="left", maintain_order="left")
    return lines.sort("rank", nulls_last=True, maintain_order=True) if due["rank"].count() else lines


def stops(results: Results) -> list[Stop]:
    """Return every visit due, most urgent first; the lines of one site and window are one stop."""
    names = parts.site_names(results.sites)
    facts = {row["site_id"]: row for row in results.sites.iter_rows(named=True)}
    grouped: dict[tuple[str, date], list[parts.Row]] = {}
    for row in ordered(results, results.due).iter_rows(named=True):
        grouped.setdefault((row["site_id"], row["visit_by"]), []).append(row)
    by_gauge = gauge_by_site(results, results.due)
    found = []
    for (site_id, ends), rows in grouped.items():
        begins = min((row["visit_from"] for row in rows if row["visit_from"]), default=None)
        site = facts.get(site_id, {})
        found.append(Stop(
            site_id, names.get(site_id, site_id), parts.site_href(site_id), site.get("crew") or "",
            parts.window(begins, ends, results.as_of), _urgent(site, rows, results.as_of),
            (*sample_task(site), *_tasks(results, rows)), by_gauge.get(site_id, ""), ends,
        ))  # fmt: skip
    return sorted(found, key=lambda stop: not stop.urgent.startswith(_FIRST))


def _tasks(results: Results, rows: list[parts.Row]) -> tuple[Task, ...]:
    """Return the lines of a stop; what makes the whole site urgent stands with the first of them alone."""
    found = [task_of(results, row) for row in rows]
    return (*found[:1], *(replace(task, why=_own_reason(task.why)) for task in found[1:]))


def _own_reason(why: str) -> str:
    for text in OF_SITE:
        why = why.removeprefix(text).strip()
    return why


def gauge_by_site(results: Results, due: pl.DataFrame) -> dict[str, str]:
    """Return, for each site where a gauge was read, the reading at which a cartridge is changed there.

    A number of its own where the readings give one, else the limit that holds everywhere.
    """
    read = set(results.readings["site_id"])
    lowest: dict[str, float] = {}
    for row in due.iter_rows(named=True):
        limit = _limit_kpa(results, row["component"])
        if limit and row["site_id"] in read:
            lowest[row["site_id"]] = min(limit, lowest.get(row["site_id"], limit))
    told = {site: f"Any cartridge: {_change_at(limit, 'it')}" for site, limit in lowest.items()}
    own, listed = gauges.stop_words(results), set(due["site_id"])
    return told | {site: text for site, text in own.items() if site in listed}


def gauge_anywhere(results: Results) -> str:
    """Return the reading at which a cartridge is changed where no gauge was read; blank for none."""
    limits = [_limit_kpa(results, name) for name in results.display.components]
    lowest = min((limit for limit in limits if limit), default=None)
    if lowest is None:
        return ""
    return f"Where a gauge is fitted and no number is given: {_change_at(lowest, 'a cartridge')}"


def _limit_kpa(results: Results, component: str) -> float | None:
    shown = results.display.components.get(component)
    return shown.pressure_limit_kpa if shown else None


def _change_at(limit: float, what: str) -> str:
    return (
        f"change {what} at {limit:.0f} kPa or more across its housing, tap running; if the gauge is "
        "doubtful, change it."
    )


def week_end(as_of: date) -> date:
    """Return the last day of the week ahead."""
    return as_of + timedelta(days=7)


def this_week(found: list[Stop], as_of: date) -> list[Stop]:
    """Return the stops that cannot wait beyond a week: due by then, failed samples and open alarms."""
    return [stop for stop in found if stop.ends <= week_end(as_of) or stop.urgent]


def van_load(results: Results, chosen: list[Stop]) -> Table:
    """Return how many of each part the chosen stops' cards may ask for: to fit, expected, and in case."""
    wanted = pl.DataFrame(
        [(stop.site_id, stop.ends) for stop in chosen], orient="row",
        schema={"site_id": pl.String, "visit_by": pl.Date},
    )  # fmt: skip
    known = {row["part_number"]: row["description"] or "" for row in results.parts.iter_rows(named=True)}
    order = {name: place for place, name in enumerate(results.display.components)}
    lines = ordered(results, results.due).join(wanted, on=["site_id", "visit_by"], how="semi")
    loads = sorted(
        carried(results, lines).iter_rows(named=True),
        key=lambda row: (order.get(row["component"], len(order)), row["component"], row["part_number"]),
    )
    rows = [
        (
            tables.text(row["part_number"] or "part not on record"),
            tables.text(known.get(row["part_number"]) or labels.component(row["component"])),
            tables.number(str(row["to_fit"]), row["to_fit"]),
            tables.number(words.amount(row["expected"]), row["expected"]),
            tables.number(str(row["in_case"]), row["in_case"]),
        )
        for row in loads
    ]
    columns = (
        Column("part_number", "Part"), Column("description", "What it is"),
        Column("to_fit", "To fit", True), Column("expected", "Expected to be needed", True),
        Column("in_case", "To carry in case", True),
    )  # fmt: skip
    return Table(
        "van-load", "Van load for these stops", columns, tuple(rows),
        "Nothing to carry for these stops.", "data/van-load.csv",
    )  # fmt: skip


def carried(results: Results, lines: pl.DataFrame) -> pl.DataFrame:
    """Return how many of each part lines of the due list may ask for.

    A line asks for one to fit; in case, where a part is to be carried, or where the card has the cartridge
    changed by its gauge or a weak flow.

    Returns
    -------
    polars frame
        component, part_number (blank = not on record), to_fit, expected (those and the chances that checked
        ones are spent), in_case (those to carry besides).
    """
    gauged = [name for name, shown in results.display.components.items() if shown.pressure_limit_kpa]
    fit, check = pl.col("action") == "replace", pl.col("action") == "inspect"
    asked = pl.col("part_number").is_not_null() | (check & pl.col("component").is_in(gauged))
    spent = pl.when(check).then(pl.col("chance_already_spent").fill_null(0.0)).otherwise(0.0)
    return (
        lines.filter(fit | asked)
        .with_columns(pl.coalesce("part_number", "part_in_place", pl.lit("")).alias("part_number"))
        .group_by("component", "part_number", maintain_order=True)
        .agg(
            to_fit=fit.sum(),
            expected=pl.when(fit).then(1.0).otherwise(spent).sum(),
            in_case=(~fit).sum(),
        )
    )


def due_table(results: Results) -> Table:
    """Return the whole due list, a line for each component of each served site."""
    names = parts.site_names(results.sites)
    crews = dict(results.sites.select("site_id", "crew").iter_rows())
    rows = [
        (
            tables.text(names.get(row["site_id"], row["site_id"]), parts.site_href(row["site_id"])),
            tables.day(row["visit_from"]),
            tables.day(row["visit_by"]),
            tables.text(labels.component(row["component"], row["slot"])),
            tables.text(labels.ACTIONS.get(row["action"] or "", labels.plain(row["action"]))),
            tables.text(row["part_number"]),
            tables.text(row["part_in_place"]),
            tables.text(row["reason"]),
            tables.number(words.chance(row["chance_already_spent"]), row["chance_already_spent"]),
            tables.text(crews.get(row["site_id"])),
        )
        for row in ordered(results, results.due).iter_rows(named=True)
    ]
    columns = (
        Column("site", "Site"), Column("visit_from", "Book from"), Column("visit_by", "No later than"),
        Column("component", "Component"), Column("action", "Do"), Column("part_number", "Part"),
        Column("part_in_place", "Part in place"),
        Column("reason", "Why", long=True), Column("chance_already_spent", "Chance already spent", True),
        Column("crew", "Crew"),
    )  # fmt: skip
    return Table(
        "due-list", "Everything due, most urgent first", columns, tuple(rows),
        "Nothing is due: no site is served, or no records are loaded.", "due.csv",
    )  # fmt: skip


def failed(site: parts.Row) -> str:
    """Return what failed at a site and when: "water sample of 3 Mar 2026 failed (e coli)"."""
    of = words.in_brackets(labels.plain(site.get("failed_sample_of")))
    taken = site.get("failed_sample_on")
    return f"Water sample{f' of {words.day(taken)}' if taken else ''} failed{of}"


def site_notes(site: parts.Row) -> tuple[str, ...]:
    """Return what stands above all else of a site: that it is served no more, a failed sample, an alarm."""
    notes = []
    if site["left_on"]:
        notes.append(f"No longer served since {words.day(site['left_on'])}.")
    elif site["lost_to_view"]:
        notes.append(f"Not seen since {words.day(site['last_visit_on'])}: left out of plans and stock.")
    if site["failed_sample_open"]:
        notes.append(f"{failed(site)}: nothing is lengthened here until a later good result.")
    if site["open_alarm"]:
        since = f" since {words.day(site['open_alarm_on'])}" if site["open_alarm_on"] else ""
        notes.append(f"UV alarm open{since}: nothing is lengthened here until it is put right.")
    return tuple(notes)


def sample_task(site: parts.Row) -> tuple[Task, ...]:
    """Return the new sample to take after the work where one failed; nothing elsewhere."""
    if not site.get("failed_sample_open"):
        return ()
    return (Task("Water sample: take a new one after the work", f"{failed(site)}."),)


_FIRST = ("failed sample open", "UV alarm open")


def _urgent(site: parts.Row, rows: list[parts.Row], as_of: date) -> str:
    flags = zip(_FIRST, ("failed_sample_open", "open_alarm"), strict=True)
    told = [text for text, flag in flags if site.get(flag)]
    told += dict.fromkeys(late_words(row) for row in rows if late(row))
    return words.listed(told) or ("overdue" if rows[0]["visit_by"] < as_of else "")


def late(row: parts.Row) -> bool:
    """Return whether a line of the due list is of a lamp or sleeve past its limit, or of unknown age."""
    return bool(row["uv_late"])


def late_words(row: parts.Row) -> str:
    """Return such a line in few words: "sleeve past its limit"."""
    kind = noun_of(row["component"])
    return f"{kind} of unknown age" if row["age_days"] is None else f"{kind} past its limit"


def task_of(results: Results, row: parts.Row) -> Task:
    """Return one line of the due list in words."""
    chance = row["chance_already_spent"]
    told = [row["reason"] or ""]
    if chance is not None and chance >= WORTH_SAYING:
        told.append(
            f"{words.sentence(labels.gone(results, row['component']))} by then: {words.chance(chance)}"
        )
    return Task(parts.task(results, row), " ".join(f"{text.rstrip('.')}." for text in told if text))
