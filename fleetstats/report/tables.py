"""Tables as data: what a cell shows, what it sorts by, where it leads, and what goes into the CSV file."""

import json
import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

from fleetstats import safe_csv
from fleetstats.report import words

#: Rows written as HTML; the rest follow as data that the page's script lays out on demand.
ROWS_IN_PAGE = 50
#: Least widths of columns in the style sheet, and the widths of a phone and of a page less margins, in rem.
_NUMBER_REM, _TEXT_REM, _LONG_REM, _PHONE_REM, _PAGE_REM = 4.5, 9.0, 18.0, 20.5, 70.0


class Cell(NamedTuple):
    """One cell: the text shown, the value it sorts by and goes into the CSV, the page it leads to."""

    shown: str
    value: str | float | None = None
    href: str = ""

    @property
    def key(self) -> str | float:
        """What the cell sorts by; blanks last is the script's affair."""
        return self.shown if self.value is None else self.value


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its CSV name, its heading, whether its cells are numbers or whole sentences."""

    name: str
    heading: str
    number: bool = False
    long: bool = False

    @property
    def style(self) -> str:
        """The class of its cells in the style sheet; empty for plain text."""
        return "n" if self.number else "long" if self.long else ""


@dataclass(frozen=True, slots=True)
class Table:
    """A whole table; `rest` is the rows beyond the first as JSON that is harmless inside HTML."""

    table_id: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    empty: str
    csv_href: str = ""

    @property
    def first_rows(self) -> tuple[tuple[Cell, ...], ...]:
        """The rows written as HTML."""
        return self.rows[:ROWS_IN_PAGE]

    @property
    def rest(self) -> str:
        """The rows beyond those as JSON: [shown, key, href] a cell, or the text alone; "" for none."""
        later = self.rows[ROWS_IN_PAGE:]
        return html_json([[_packed(cell) for cell in row] for row in later]) if later else ""

    @property
    def sideways(self) -> bool:
        """Whether it is wider than a narrow phone, by what the style sheet gives each kind of column."""
        return self._least_rem > _PHONE_REM

    @property
    def sprawling(self) -> bool:
        """Whether it is wider than the page itself."""
        return self._least_rem > _PAGE_REM

    @property
    def _least_rem(self) -> float:
        widths = (_NUMBER_REM if c.number else _LONG_REM if c.long else _TEXT_REM for c in self.columns)
        return sum(widths)

    @property
    def count(self) -> str:
        """How many rows there are, in words."""
        return words.counted(len(self.rows), "row")


def text(value: object, href: str = "") -> Cell:
    """Return a text cell; blank for None."""
    return Cell("" if value is None else str(value), None, href)


def day(value: date | None) -> Cell:
    """Return a date cell that sorts by the calendar."""
    return Cell("" if value is None else words.day(value), "" if value is None else value.isoformat())


def without(table: Table, names: Collection[str]) -> Table:
    """Return a table without the columns of these names."""
    kept = [place for place, column in enumerate(table.columns) if column.name not in names]
    return replace(
        table,
        columns=tuple(table.columns[place] for place in kept),
        rows=tuple(tuple(row[place] for place in kept) for row in table.rows),
    )


def number(shown: str, value: float | None) -> Cell:
    """Return a number cell: shown in words, sorted by its value; an unknown one is blank in the CSV."""
    if value is None or not math.isfinite(value):
        return Cell("" if shown == words.UNKNOWN else shown, "")
    return Cell(shown, float(f"{value:.6g}") + 0.0)  # no minus before nothing


def html_json(data: Any) -> str:
    """Return JSON that can stand inside an HTML script block: no <, > or & in it."""
    packed = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign, code in (
        ("<", "\\u003c"), (">", "\\u003e"), ("&", "\\u0026"), ("\u2028", "\\u2028"), ("\u2029", "\\u2029"),
    ):  # fmt: skip
        packed = packed.replace(sign, code)
    return packed


def csv_text(table: Table) -> str:
    """Return the table as CSV: raw values, text cells guarded; lines end as RFC 4180 has them."""
    header = [column.name for column in table.columns]
    return safe_csv.csv_text(
        header, ([_csv_value(cell) for cell in row] for row in table.rows), line_end="\r\n"
    )


def _csv_value(cell: Cell) -> object:
    if isinstance(cell.value, float):
        return f"{cell.value:g}" if abs(cell.value) < 1e6 else f"{cell.value:.0f}"
    return str(cell.shown if cell.value is None else cell.value)


def _packed(cell: Cell) -> str | list[Any]:
    if cell.href:
        return [cell.shown, cell.key, cell.href]
    return cell.shown if cell.value is None or cell.value == cell.shown else [cell.shown, cell.value]
