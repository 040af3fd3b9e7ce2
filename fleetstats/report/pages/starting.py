"""The table of starting intervals for new sites, by tank, roof, trees and use."""

from dataclasses import dataclass

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Head
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table


@dataclass(frozen=True, slots=True)
class StartingPage:
    """What the page of starting intervals shows."""

    head: Head
    table: Table


def starting_page(results: Results) -> StartingPage:
    """Return the page of starting intervals."""
    rows = [
        (
            tables.text(labels.component(row["component"])),
            tables.text(labels.plain(row["tank_material"])),
            tables.text(labels.plain(row["roof_material"])),
            tables.text(row["tree_cover"]),
            tables.number(words.whole(row["daily_litres"]), row["daily_litres"]),
            tables.number(words.weeks(row["interval_days"]), row["interval_days"]),
            tables.text(words.week_range(row["low_days"], row["high_days"])),
            tables.number(words.whole(row["sites"]), row["sites"]),
            tables.number(words.whole(row["spells"]), row["spells"]),
        )
        for row in results.starting_intervals.iter_rows(named=True)
    ]
    columns = (
        Column("component", "Component"), Column("tank_material", "Tank"), Column("roof_material", "Roof"),
        Column("tree_cover", "Trees"), Column("daily_litres", "Litres a day", True),
        Column("interval_days", "Start with", True), Column("range", "Range"),
        Column("sites", "Sites behind it", True), Column("fittings", "Fittings", True),
    )  # fmt: skip
    table = Table(
        "starting-intervals", "Where to start at a new site", columns, tuple(rows),
        "No starting intervals yet: too few lives have ended on record. Start with the customary interval.",
        "data/starting-intervals.csv",
    )  # fmt: skip
    return StartingPage(parts.head(results, "Starting intervals for new sites", "starting"), table)
