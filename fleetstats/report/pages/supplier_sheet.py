"""The one spreadsheet of a supplier's pack: months, dates and last year in rows of one shape."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from fleetstats.report import tables, words
from fleetstats.report.tables import Cell, Column, Table

SHEET = "forecast-not-an-order.csv"
_COLUMNS = (
    Column("part", "Part"), Column("line", "Line"), Column("month_or_date", "Month or date"),
    Column("pieces", "Pieces", True), Column("enough_50_in_100", "Enough 50 in 100", True),
    Column("enough_80_in_100", "Enough 80 in 100", True),
    Column("enough_95_in_100", "Enough 95 in 100", True),
    Column("range_low", "Range from", True), Column("range_high", "to", True), Column("used", "Used", True),
)  # fmt: skip
_NUMBERS = {
    "forecast for the month": ("month", ("expected", "p50", "p80", "p95", None, None, None)),
    "likely wanted by": ("order_by", ("quantity", None, None, None, None, None, None)),
    "forecast of the past year": (
        None, ("forecast", None, None, None, "forecast_low", "forecast_high", "used"),
    ),
}  # fmt: skip


def sheet(stock: pl.DataFrame, orders: pl.DataFrame, past: pl.DataFrame, names: Mapping[str, str]) -> Table:
    """Return months, likely dates and last year's forecast of one supplier's parts as one table."""
    rows: list[tuple[Cell, ...]] = []
    for (line, (when, numbers)), frame in zip(_NUMBERS.items(), (stock, orders, past), strict=True):
        rows += [_row(row, line, when, numbers, names) for row in frame.iter_rows(named=True)]
    return Table("sheet", "The same as a spreadsheet", _COLUMNS, tuple(rows), "Nothing is forecast.", SHEET)


def _row(
    row: dict[str, Any],
    line: str,
    when: str | None,
    numbers: tuple[str | None, ...],
    names: Mapping[str, str],
) -> tuple[Cell, ...]:
    day = row[when] if when else None
    return (
        tables.text(names.get(row["part_number"], row["part_number"])),
        tables.text(line),
        tables.day(day),
        *(_rounded(row[name]) if name else Cell("", "") for name in numbers),
    )


def _rounded(value: float | None) -> Cell:
    """A tenth of a piece is as fine as a forecast is told."""
    return Cell("", "") if value is None else tables.number(words.amount(value), round(float(value), 1))
