"""Takes back what a spreadsheet program did to rows set aside: to dates, leading zeros and decimal signs."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import floor, isfinite, log10

import polars as pl

from fleetstats.intake.corrections import COLUMNS, FILE, LINE, ROW, SHEET, rows_once_set_aside, spot
from fleetstats.intake.fields import plain
from fleetstats.intake.readers import Grid
from fleetstats.intake.written_dates import ORDERS, iso_date
from fleetstats.safe_csv import unguarded
from fleetstats.store import Store

_FIGURES = re.compile(r"[+-]?\d*[.,]?\d+(?:[eE][+-]?\d+)?")
_FRACTION = re.compile(r"([+-]?\d+),(\d+)")


@dataclass(frozen=True, slots=True)
class _Habit:
    """How the program that saved the rows writes a date (None: its rows do not tell) and a fraction."""

    order: str | None
    comma: bool


def take_back(store: Store, grid: Grid, *, site_headers: Collection[str], today: date) -> Grid:
    """Return rows set aside as a person left them, without what a spreadsheet did to cells nobody touched.

    A spreadsheet shows 2021-01-05 in the order of its country, 0012 as 12, 35.8 as 35,8, and saves what it
    shows. The journal holds each row as it was: a cell that says the same gets its old text back, and from
    those cells the order of dates and the decimal sign of the program are known for the cells that were
    mended.

    Parameters
    ----------
    store : Store
        Its journal holds the rows that were set aside.
    grid : Grid
        A file of such rows.
    site_headers : collection of str
        The columns of site ids: figures that lost their zeros are led back to the one site they name.
    today : date
        For years of two figures.
    """
    rows = [
        {name: unguarded(cell) if isinstance(cell, str) else cell for name, cell in row.items()}
        for row in grid.rows.iter_rows(named=True)
    ]
    place = {plain(name): str(i) for i, name in enumerate(grid.header)}
    told = rows_once_set_aside(store)
    was = [_record_of(row, place, told) for row in rows]
    names = {str(i): name for i, name in enumerate(grid.header) if name and plain(name) not in COLUMNS}
    pairs = [
        (old, row[i]) for row, record in zip(rows, was, strict=True) if record
        for i, name in names.items() if (old := record.get(name)) and row[i] and old != row[i]
    ]  # fmt: skip
    habit = _habit(pairs, today)
    sites = _zeroed_sites(store)
    back = 0
    for row, record in zip(rows, was, strict=True):
        for i, name in names.items():
            before = row[i]
            if before is None:
                continue
            row[i] = _cell(before, (record or {}).get(name), habit, today)
            if name in site_headers:
                row[i] = sites.get(row[i], row[i])
            back += row[i] != before
        row.update({place[c]: record.get(c) for c in (FILE, SHEET, LINE, ROW) if record and c in place})
    note = f"{back} cells that the spreadsheet alone changed (dates, zeros, decimal signs) read as they were"
    frame = pl.DataFrame(rows, schema=grid.rows.schema, orient="row")
    return replace(grid, rows=frame, told=(*grid.told, *([note] if back else [])))


def _record_of(
    row: Mapping[str, str | None], place: Mapping[str, str], told: Mapping[str, list[dict[str, str | None]]]
) -> dict[str, str | None] | None:
    """Return the row as it was set aside: by its mark, or by its place if the mark was taken for a number.

    Rows of a table of records have no mark: of those that had its place, the one with most of its cells.
    """
    mark = row[place[ROW]] or ""
    here = row[place[FILE]], row[place[LINE]]
    if not mark:
        alike = [
            (_cells_alike(row, place, record), nth) for nth, record in enumerate(told.get(spot(*here), ()))
        ]
        return told[spot(*here)][max(alike)[1]] if alike and max(alike)[0] else None
    if mark in told:
        return told[mark][-1]
    if re.fullmatch(r"[0-9a-f]{16}", mark):
        return None
    found = [
        record
        for records in told.values()
        for record in records[-1:]
        if (record[FILE], record[LINE]) == here and record.get(ROW) and _same(record[ROW] or "", mark, None)
    ]
    return found[0] if len(found) == 1 else None


def _cells_alike(
    row: Mapping[str, str | None], place: Mapping[str, str], record: Mapping[str, str | None]
) -> int:
    pairs = [(was, row[place[name]]) for name, was in record.items() if name in place and name not in COLUMNS]
    return sum(bool(was and came and _same(was, came, None)) for was, came in pairs)


def _habit(pairs: Sequence[tuple[str, str]], today: date) -> _Habit:
    votes = Counter(
        order
        for was, came in pairs
        for order in ORDERS
        if (day := _day(came, order, today)) and day == _day(was, order, today)
    )
    best = votes.most_common(2)
    sure = best and (len(best) == 1 or best[0][1] > best[1][1])
    comma = any(
        "," in came and "." in was and _figure(was) == _figure(came) is not None for was, came in pairs
    )
    return _Habit(best[0][0] if sure else None, comma)


def _cell(came: str, was: str | None, habit: _Habit, today: date) -> str:
    """Return a cell as it was if it says the same still, else as it was mended, dates the ISO way."""
    if came == was or (was and _same(was, came, habit.order, today)):
        return was or came
    day = None if _FIGURES.fullmatch(came) else _day(came, habit.order, today)
    if day is not None:
        return day
    fraction = _FRACTION.fullmatch(came) if habit.comma else None
    return f"{fraction[1]}.{fraction[2]}" if fraction else came


def _same(was: str, came: str, order: str | None, today: date = date.max) -> bool:
    if " ".join(was.casefold().split()) == " ".join(came.casefold().split()):
        return True
    one, other = _figure(was), _figure(came)
    if one is not None and other is not None:
        return one == other or _shortened(one, came)
    day = _day(came, order, today)
    return day is not None and day == _day(was, order, today)


def _day(text: str, order: str | None, today: date) -> str | None:
    """Return a full date that a text is in an order; None for a year alone, or where no order is known."""
    day = None if order is None else iso_date(text, order, today=today)
    return None if day is None or len(day) == 4 else day


def _figure(text: str) -> float | None:
    return float(text.replace(",", ".")) if _FIGURES.fullmatch(text) else None


def _shortened(was: float, came: str) -> bool:
    """Return whether a long number was shown as 1.23E+15: only its first figures are left."""
    digits, _, exponent = came.casefold().replace(",", ".").partition("e")
    if not exponent or not was or not isfinite(was):
        return False
    kept = len(re.sub(r"\D", "", digits)) - 1
    return abs(float(f"{digits}e{exponent}") - was) <= 0.5 * 10.0 ** (floor(log10(abs(was))) - kept)


def _zeroed_sites(store: Store) -> dict[str, str]:
    """Return the sites whose id starts with a zero, by the figures that are left without it, if one alone."""
    sites = {site for (site,) in store.run("SELECT site_id FROM records.sites")}
    short: dict[str, list[str]] = {}
    for site in sites:
        if site.isdecimal() and site.startswith("0"):
            short.setdefault(site.lstrip("0") or "0", []).append(site)
    return {bare: full[0] for bare, full in short.items() if len(full) == 1 and bare not in sites}
