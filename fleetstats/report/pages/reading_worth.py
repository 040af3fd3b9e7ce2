"""What reading pressures would be worth where nobody reads them, in the owner's words."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Row
from fleetstats.report.results import Results
from fleetstats.report.tables import Cell, Column, Table

_NONE = (
    "Not worked out: pressures were read at every served site within the year, or too few cartridges were "
    "found spent for any advice."
)


@dataclass(frozen=True, slots=True)
class ReadingWorth:
    """What the part on reading pressures shows; without rows in the table only `told`."""

    told: tuple[str, ...]
    table: Table


def reading_worth(results: Results) -> ReadingWorth:
    """Return what two gauges at the sites not read yet would be worth, as sentences and by component."""
    rows = list(results.reading_worth.iter_rows(named=True))
    whole = next((row for row in rows if not row["component"]), None)
    own = [row for row in rows if row["component"]]
    told = _told(results, whole, own) if whole else (_NONE,)
    return ReadingWorth(told, _table(results, own, whole))


def _told(results: Results, whole: Row, own: list[Row]) -> tuple[str, ...]:
    served, unread = whole["sites_served"], whole["sites_served"] - whole["sites_read"]
    where = "there" if whole["sites"] == unread else f"at {words.whole(whole['sites'])} of these"
    saved = words.money(whole["saved_per_year"], results.display.currency)
    spread = words.money_range(whole["saved_per_year_low"], whole["saved_per_year_high"])
    fewer = words.listed(
        [_fewer(whole, "callouts_fewer", "call-out"), _fewer(whole, "cartridges_fewer", "cartridge")]
    )
    first = (
        f"At {words.whole(unread)} of {words.counted(served, 'served site')} nobody has read a pressure "
        f"within the year. By these records two gauges {where}, read at every visit, would be worth about "
        f"{saved} a year (range {spread}): {fewer}."
    )
    if whole["saved_per_year_low"] < 0:
        first += " The range spans zero: it is not settled that reading pays."
    return first, f"This is an estimate, made before any reading. {_basis(own)}"


def _basis(own: list[Row]) -> str:
    seen = " and ".join(
        f"{parts.evidence(row['spells'], row['failures'])} ({labels.plain(row['component'])})" for row in own
    )
    told = f"It rests on how differently cartridges have lasted here, {seen}, and on your costs. "
    if all(row["law_learned"] for row in own):
        told += "How cartridges block, and how far gauges are off, was learned from your own readings. "
    else:
        row = next(row for row in own if not row["law_learned"])
        off = f"{100 * math.expm1(row['spread']):.0f} % and {row['gauge_error_kpa']:.0f} kPa"
        told += (
            f"How cartridges block, and that a reading is off by about {off}, is common practice, not "
            "learned from your records. "
        )
    return (
        f"{told}A cartridge is kept longer only where no limit forbids it and blocking alone ends it. The "
        "gauges, and the minutes to read them, are not taken off; what readings teach in time of how long "
        "cartridges last at each site is not counted."
    )


def _fewer(row: Row, name: str, noun: str) -> str:
    value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
    if value < 0:
        value, low, high = -value, -high, -low
        way = "more"
    else:
        way = "fewer"
    if abs(value) < 0.05:
        return f"as many {noun}s (within {max(abs(low), abs(high)):.1f} either way)"
    shown = _signed(f"{value:,.1f}")
    return f"{shown} {noun}{'' if shown == '1.0' else 's'} {way} (range {_signed(words.amount(low))} to " \
           f"{_signed(words.amount(high))})"  # fmt: skip


def _signed(text: str) -> str:
    return text.replace("-0.0", "0.0").replace("-", "\N{MINUS SIGN}")


def _table(results: Results, own: list[Row], whole: Row | None) -> Table:
    shown = [*own, *([whole] if whole and len(own) > 1 else [])]
    rows = tuple(
        (
            tables.text(
                labels.component(results.display, row["component"]) if row["component"] else "Together"
            ),
            _quantity(row, "callouts_fewer"),
            _quantity(row, "cartridges_fewer"),
            Cell(
                words.money(row["saved_per_year"])
                + words.in_brackets(words.money_range(row["saved_per_year_low"], row["saved_per_year_high"])),
                row["saved_per_year"],
            ),
            tables.text(parts.evidence(row["spells"], row["failures"])),
        )
        for row in shown
    )
    columns = (
        Column("component", "Component"), Column("callouts_fewer", "Call-outs fewer a year", True),
        Column("cartridges_fewer", "Cartridges fewer a year", True),
        Column("saved_per_year", f"Worth a year, {results.display.currency}", True), Column("basis", "From"),
    )  # fmt: skip
    return Table(
        "reading-worth", "What reading pressures would be worth", columns, rows,
        "Nothing is worked out.", "data/reading-worth.csv",
    )  # fmt: skip


def _quantity(row: Row, name: str) -> Cell:
    return Cell(_signed(words.amount(row[name], row[f"{name}_low"], row[f"{name}_high"])), row[name])
