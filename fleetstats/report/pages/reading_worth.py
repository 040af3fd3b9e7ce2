"""What reading pressures would be worth where nobody reads them, in the owner's words."""

import math
from dataclasses import dataclass

from fleetstats.components import label_of
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
    """What the part on reading pressures shows; `advised`: it is settled that reading pays."""

    told: tuple[str, ...]
    table: Table
    advised: bool


def reading_worth(results: Results) -> ReadingWorth:
    """Return what two gauges at the sites not read yet would be worth, as sentences and by component."""
    rows = list(results.reading_worth.iter_rows(named=True))
    whole = next((row for row in rows if not row["component"]), None)
    own = [row for row in rows if row["component"]]
    told = _told(results, whole, own) if whole else (_NONE,)
    return ReadingWorth(told, _table(results, own, whole), bool(whole and settled(whole)))


def _told(results: Results, whole: Row, own: list[Row]) -> tuple[str, ...]:
    served, unread = whole["sites_served"], whole["sites_served"] - whole["sites_read"]
    sites, currency = whole["sites"], results.display.currency
    saved, low, high = (whole[f"saved_per_year{end}"] for end in ("", "_low", "_high"))
    fewer = words.listed(
        [_fewer(whole, "callouts_fewer", "call-out"), _fewer(whole, "cartridges_fewer", "cartridge")]
    )
    where = {1: "at the one home", 2: "over both homes"}.get(sites, f"over all {words.whole(sites)} homes")
    first = (
        f"At {words.whole(unread)} of {words.counted(served, 'served site')} nobody has read a pressure "
        f"within the year. {_left_out(whole)}By these records two gauges at each, read at every visit, would "
        f"be worth about {words.money(saved, currency)} a year {where} (range "
        f"{words.money_range(low, high)}), a home {_small(saved / sites)} (range {_small(low / sites)} to "
        f"{_small(high / sites)}): {fewer}."
    )
    told = (first, f"This is an estimate, made before any reading. {_prices(results, own)} {_basis(own)}")
    return told if settled(whole) else (f"{first} {_unsettled(whole)}", told[1])


def settled(whole: Row) -> bool:
    """Return whether the whole range of what reading is worth lies above nothing."""
    return bool(whole["saved_per_year_low"] > 0)


def _unsettled(whole: Row) -> str:
    if whole["saved_per_year_high"] <= 0:
        return "The whole range lies at or below nothing: by these records reading would not pay."
    return (
        "The range includes nothing, so it is not settled that reading pays: your records leave open how "
        "much longer or shorter cartridges last at one home than at the next, and what a reading can tell "
        "rests on that. No gauge is advised on this ground."
    )


def _left_out(whole: Row) -> str:
    """Return how many of the homes not read are left out, and why."""
    left = whole["sites_served"] - whole["sites_read"] - whole["sites"]
    if left <= 0:
        return ""
    alike = whole["sites_alike"] or 0
    why = [
        text
        for count, text in (
            (alike, "two cartridges of a kind stand there, in line or side by side"),
            (left - alike, "no cartridge in place there has enough on record for a plan"),
        )
        if count > 0
    ]
    told = (
        why[0]
        if len(why) == 1
        else f"at {words.whole(alike)} {why[0]}, at {words.whole(left - alike)} {why[1]}"
    )
    return f"{words.counted(left, 'of these is', 'of these are')} left out: {told}. "


def _small(value: float) -> str:
    """Return money for one home: to the unit, for round money would be too coarse."""
    text = f"{abs(value):,.0f}"
    return f"\N{MINUS SIGN}{text}" if value < 0 and text != "0" else text


def _prices(results: Results, own: list[Row]) -> str:
    """Return which prices it was worked out with."""
    display = results.display
    else_by = words.listed(
        f"{words.money(display.components[name].planned_cost, display.currency)} for a "
        f"{labels.in_sentence(name)}"
        for name in (row["component"] for row in own)
        if name in display.components
    )
    kept = f", else by your settings ({else_by})" if else_by else ", else by your settings"
    return (
        f"A cartridge is priced by your parts list where that gives its price{kept}; a call-out at "
        f"{words.money(display.callout_cost, display.currency)}, before the part."
    )


def _basis(own: list[Row]) -> str:
    seen = " and ".join(
        f"{parts.evidence(row['spells'], row['failures'])} ({label_of(row['component'])})" for row in own
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
    way = "more" if value < 0 else "fewer"
    if value < 0:
        value, low, high = -value, -high, -low
    if abs(value) < 0.05:
        return f"as many {noun}s (within {max(abs(low), abs(high)):.1f} either way)"
    shown = f"{value:,.1f}"
    return f"{shown} {noun}{'' if shown == '1.0' else 's'} {way} (range {_ends(low, high, way)})"


def _ends(low: float, high: float, way: str) -> str:
    """Return both ends of a range, each with its word where one of them goes the other way than `way`."""
    low, high = sorted((low, high))
    if low >= -0.05:
        return f"{words.amount(max(low, 0.0))} to {words.amount(high)}"
    other = "fewer" if way == "more" else "more"
    ends = (f"{words.amount(abs(v))} {way if v >= 0 else other}" for v in (low, high))
    return " to ".join(ends)


def _table(results: Results, own: list[Row], whole: Row | None) -> Table:
    shown = [*own, *([whole] if whole and len(own) > 1 else [])]
    rows = tuple(
        (
            tables.text(labels.component(row["component"]) if row["component"] else "Together"),
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
        Column("component", "Component"), Column("callouts_fewer", "Call-outs a year (range)", True),
        Column("cartridges_fewer", "Cartridges a year (range)", True),
        Column("saved_per_year", f"Worth a year, {results.display.currency}", True), Column("basis", "From"),
    )  # fmt: skip
    return Table(
        "reading-worth", "What reading pressures would be worth, all homes together", columns, rows,
        "Nothing is worked out.", "data/reading-worth.csv",
    )  # fmt: skip


def _quantity(row: Row, name: str) -> Cell:
    value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
    way = "more" if value < 0 else "fewer"
    ends = (-high, -low) if value < 0 else (low, high)
    shown = words.amount(abs(value))
    return Cell(
        f"{shown} {way} ({_ends(*ends, way)})" if shown != "0.0" else f"as many ({_ends(*ends, way)})", value
    )
