"""The weeks ahead in words: when each site is visited, what each crew has to do, where it is too much."""

from collections.abc import Sequence

import polars as pl

from fleetstats.report import tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Row
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table

#: Why a visit is not on the day of its own.
MOVED = {
    "crew_full": "brought forward, the crew is full later",
    "before_arrival": "before the household returns",
    "after_blocked": "after months without planned visits",
    "before_blocked": "before months without planned visits",
    "in_blocked": "in a month without planned visits, as it cannot wait",
    "phased_in": "spread out while the plan begins",
    "nothing_due": "nothing is due there before",
}
#: Whose stops a row without a crew counts.
NO_CREW = "no crew named"


def site_ahead(rows: Sequence[Row]) -> tuple[str, ...]:
    """Return the visits of one site over the half year ahead, a line each; its rows of `calendar`."""
    return tuple(_line(row) for row in rows)


def _line(row: Row) -> str:
    told = f"Week of {words.day(row['week'])}: book from {words.day(row['book_from'])}, "
    told += f"no later than {words.day(row['no_later_than'])}"
    return f"{told}{words.in_brackets('; '.join(_notes(row)))}"


def load_table(results: Results) -> Table:
    """Return the stops of each crew in each of the weeks ahead, weeks without any left out."""
    kept = results.weekly_load.filter(pl.col("stops") > 0).sort("week", "crew", nulls_last=True)
    rows = []
    for row in kept.iter_rows(named=True):
        most = _number(row["most_stops"]) if row["most_stops"] is not None else "not set"
        over = f"{_number(row['over'])} too many" if row["over"] else "none"
        rows.append((
            tables.day(row["week"]), tables.text(row["crew"] or NO_CREW),
            tables.number(_number(row["stops"]), row["stops"]), tables.number(most, row["most_stops"]),
            tables.number(over, row["over"]),
            tables.number(words.whole(row["moved_earlier"]), row["moved_earlier"]),
        ))  # fmt: skip
    columns = (
        Column("week", "Week from"), Column("crew", "Crew"), Column("stops", "Stops planned", True),
        Column("most_stops", "Stops the crew can make in a week", True),
        Column("over", "Stops too many", True), Column("moved_earlier", "Stops brought forward", True),
    )  # fmt: skip
    return Table(
        "weekly-load", "Stops of each crew in the weeks ahead", columns, tuple(rows),
        "No visit is placed in the weeks ahead.", "data/weekly-load.csv",
    )  # fmt: skip


def load_told(results: Results) -> str:
    """Return in words how full the weeks ahead are, and which are too full."""
    load = results.weekly_load
    total = float(load["stops"].sum())
    if not total:
        return "No visit is placed in the weeks ahead."
    weeks = int(load["week"].n_unique())
    told = f"{words.counted(total, 'stop')} planned in the next {words.counted(weeks, 'week')}"
    full = load.sort("stops", "week", descending=[True, False], nulls_last=True).row(0, named=True)
    crew = f", crew {full['crew']}" if full["crew"] else ""
    told += f"; the fullest week begins {words.day(full['week'])}{crew}: {_stops(full['stops'])}."
    if load["most_stops"].null_count() == load.height:
        return f"{told} How many stops a crew can make in a week is not set (crew_stops_per_week)."
    over = load.filter(pl.col("over") > 0).sort("week", "crew", nulls_last=True)
    if not over.height:
        return f"{told} No week holds more than a crew can do."
    first = over.row(0, named=True)
    return (
        f"{told} Too full: {words.counted(over.height, 'week')} of a crew, the first from "
        f"{words.day(first['week'])} by {_stops(first['over'])}; "
        "help out from another crew, or visit those sites sooner."
    )


def ahead_table(results: Results) -> Table:
    """Return every visit of the half year ahead: its week, its window, and what moved it, soonest first."""
    names = parts.site_names(results.sites)
    rows = [
        (
            tables.text(names.get(row["site_id"], row["site_id"]), parts.site_href(row["site_id"])),
            tables.day(row["week"]),
            tables.day(row["book_from"]),
            tables.day(row["no_later_than"]),
            tables.text(row["crew"]),
            tables.text("; ".join(_notes(row))),
        )
        for row in results.calendar.iter_rows(named=True)
    ]
    columns = (
        Column("site", "Site"), Column("week", "Week from"), Column("book_from", "Book from"),
        Column("no_later_than", "No later than"), Column("crew", "Crew"), Column("moved", "Remark"),
    )  # fmt: skip
    return Table(
        "weeks-ahead", "Every visit of the half year ahead", columns, tuple(rows),
        "No visit is placed in the weeks ahead.", "data/weeks-ahead.csv",
    )  # fmt: skip


def _notes(row: Row) -> list[str]:
    notes = [MOVED.get(row["moved"], row["moved"].replace("_", " "))] if row["moved"] else []
    if row["fits"] is False:
        notes.append("the crew has too much to do in all of these weeks")
    return notes


def _stops(value: float) -> str:
    return words.counted(value, "stop") if value == round(value) else f"{words.amount(value)} stops"


def _number(value: float) -> str:
    """Return a number of stops: whole where it is whole; homes that share a trip share its stop."""
    return words.whole(value) if value == round(value) else words.amount(value)
