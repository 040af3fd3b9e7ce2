"""The quality of the records: what was read, refused, warned of, left out, and why."""

from dataclasses import dataclass

import polars as pl

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Head
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table


@dataclass(frozen=True, slots=True)
class RecordsPage:
    """What the page on the records shows."""

    head: Head
    told: str
    loads: Table
    refused: Table
    warnings: Table
    left_out: Table
    left_out_rows: Table


def records_page(results: Results) -> RecordsPage:
    """Return the page on the quality of the records."""
    return RecordsPage(
        head=parts.head(results, "The records", "records"),
        told=_told(results),
        loads=_loads(results),
        refused=_refused(results),
        warnings=_warnings(results),
        left_out=_left_out(results),
        left_out_rows=_left_out_rows(results),
    )


def _told(results: Results) -> str:
    loads = results.loads
    if loads.height == 0:
        return "No loads are on record."
    read, accepted, repeated, refused = (
        int(loads[column].sum()) for column in ("rows_read", "accepted", "repeated", "refused")
    )
    told = (
        f"{words.whole(accepted)} accepted + {words.whole(repeated)} repeated + {words.whole(refused)} "
        f"refused = {words.whole(accepted + repeated + refused)} of {words.counted(read, 'row')} read."
    )
    if loads["load_id"].n_unique() == 1:
        return told
    return f"Over all loads: {told} A row that came again in a later load counts in each."


def _loads(results: Results) -> Table:
    names = ("rows_read", "accepted", "repeated", "refused", "values_set_aside", "changed")
    rows = [
        (
            tables.day(row["loaded_on"]), tables.text(row["file"]), tables.text(row["table_name"]),
            *(tables.number(words.whole(row[name]), row[name]) for name in names),
        )
        for row in results.loads.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("loaded_on", "Loaded"), Column("file", "File"), Column("table_name", "Table"),
        Column("rows_read", "Read", True), Column("accepted", "Accepted", True),
        Column("repeated", "Repeated", True), Column("refused", "Refused", True),
        Column("values_set_aside", "Values set aside", True), Column("changed", "Changed", True),
    )  # fmt: skip
    return Table(
        "loads", "What was loaded", columns, tuple(rows), "No loads are on record.", "data/loads.csv"
    )


def _refused(results: Results) -> Table:
    rows = [
        (
            tables.text(row["file"]), tables.text(row["sheet"]),
            tables.number(words.whole(row["line"]), row["line"]), tables.text(row["column"]),
            tables.text(row["value"]), tables.text(row["reason"]),
        )
        for row in results.refused.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("file", "File"), Column("sheet", "Sheet"), Column("line", "Line", True),
        Column("column", "Column"), Column("value", "Found"),
        Column("reason", "What would be accepted", long=True),
    )  # fmt: skip
    return Table(
        "refused", "Rows and values set aside", columns, tuple(rows), "Nothing was set aside.",
        "data/refused.csv",
    )  # fmt: skip


def _warnings(results: Results) -> Table:
    known = set(results.sites["site_id"].to_list())
    rows = [
        (
            tables.text(labels.plain(row["check"])), tables.text(row["severity"]),
            tables.text(row["site_id"], parts.site_href(row["site_id"]) if row["site_id"] in known else ""),
            tables.text(row["visit_id"]), tables.text(row["message"]), tables.text(row["what_to_do"]),
            tables.number(words.whole(row["rows"]), row["rows"]),
        )
        for row in results.warnings.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("check", "Check"), Column("severity", "Weight"), Column("site", "Site"),
        Column("visit_id", "Visit"), Column("message", "What was found", long=True),
        Column("what_to_do", "What to do", long=True),
        Column("rows", "Rows", True),
    )  # fmt: skip
    return Table(
        "warnings", "What looks contradictory", columns, tuple(rows), "Nothing contradictory was found.",
        "data/warnings.csv",
    )  # fmt: skip


def _left_out(results: Results) -> Table:
    counts = results.left_out.group_by("component", "reason").agg(
        pl.len().alias("spells"), pl.col("site_id").n_unique().alias("sites")
    )
    ranked = counts.sort(["spells", "component", "reason"], descending=[True, False, False])
    rows = [
        (
            tables.text(labels.component(row["component"])),
            tables.text(labels.left_out(row["reason"])),
            tables.number(words.whole(row["spells"]), row["spells"]),
            tables.number(words.whole(row["sites"]), row["sites"]),
        )
        for row in ranked.iter_rows(named=True)
    ]
    columns = (
        Column("component", "Component"), Column("reason", "Why"), Column("fittings", "Fittings", True),
        Column("sites", "Sites", True),
    )  # fmt: skip
    return Table(
        "left-out", "Fittings left out of the lives, by reason", columns, tuple(rows),
        "No fitting was left out.", "data/left-out-by-reason.csv",
    )  # fmt: skip


def _left_out_rows(results: Results) -> Table:
    names = parts.site_names(results.sites)
    rows = [
        (
            tables.text(
                names.get(row["site_id"], row["site_id"]),
                parts.site_href(row["site_id"]) if row["site_id"] in names else "",
            ),
            tables.text(labels.component(row["component"], row["slot"])),
            tables.day(row["fitted_on"]), tables.day(row["ended_on"]),
            tables.text(labels.left_out(row["reason"])),
        )
        for row in results.left_out.iter_rows(named=True)
    ]  # fmt: skip
    columns = (
        Column("site", "Site"), Column("component", "Component"), Column("fitted_on", "Fitted"),
        Column("ended_on", "Came out"), Column("reason", "Why left out"),
    )  # fmt: skip
    return Table(
        "left-out-rows", "Each fitting left out", columns, tuple(rows), "No fitting was left out.",
        "data/left-out.csv",
    )  # fmt: skip
