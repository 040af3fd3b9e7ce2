"""The slips of the pen that any ledger holds, planted in the tables as text before they are written."""

from collections.abc import Mapping

import polars as pl

_FEWEST_VISITS = 60  # a smaller fleet is written as it is


def as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the table as it will stand in a file: all text, whole numbers without a point, blanks null."""
    whole = [
        pl.when(pl.col(name) == pl.col(name).round())
        .then(pl.col(name).cast(pl.Int64).cast(pl.String))
        .otherwise(pl.col(name).cast(pl.String))
        .alias(name)
        for name, kind in frame.schema.items()
        if kind == pl.Float64
    ]
    return frame.with_columns(whole).cast(pl.String)


def with_slips(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """Return the tables as text with slips: rows sent twice, a date that is none, odd readings, an odd word.

    Which rows are hit depends on the number of rows alone, so the same fleet always carries the same slips.
    """
    text = {name: as_text(frame) for name, frame in tables.items()}
    if text["visits"].height < _FEWEST_VISITS:
        return text
    visits, work = text["visits"], text["work"]
    n, m = visits.height, work.height
    undated = _at_an_ordinary_home(visits, n // 3)
    visits = _written(visits, undated, "visit_date", f"{visits['visit_date'][undated][:4]}-02-30")
    visits = _written(visits, _read(visits, "inlet_pressure_kpa", n // 4), "inlet_pressure_kpa", "-12")
    crossed = _read(visits, "outlet_pressure_kpa", n // 2)
    inlet = float(visits["inlet_pressure_kpa"][crossed])
    visits = _written(visits, crossed, "outlet_pressure_kpa", f"{inlet + 35:.0f}")
    visits = _written(visits, *_meter_back(visits))
    work = _written(work, _read(work, "condition", m // 2), "condition", "gungy")
    twice = [n // 5, 3 * n // 5]
    text["visits"] = pl.concat([visits, visits[twice]])
    text["work"] = pl.concat([work, work[[m // 5]]])
    return text


def _read(frame: pl.DataFrame, column: str, after: int) -> int:
    """Return the first row from `after` on whose column (and inlet pressure, for a visit) is filled in."""
    filled = pl.col(column).is_not_null()
    if "inlet_pressure_kpa" in frame.columns:
        filled &= pl.col("inlet_pressure_kpa").is_not_null() & pl.col("pressure_read").is_null()
    rows = frame.with_row_index("row").filter(filled & (pl.col("row") >= after))["row"]
    return int(rows[0]) if len(rows) else after


def _at_an_ordinary_home(visits: pl.DataFrame, after: int) -> int:
    """Return the first row from `after` on at a home visited no oftener than most."""
    often = pl.len().over("site_id")
    rows = visits.with_row_index("row").filter((often <= often.median()) & (pl.col("row") >= after))["row"]
    return int(rows[0]) if len(rows) else after


def _meter_back(visits: pl.DataFrame) -> tuple[int, str, str]:
    """Return a visit whose meter reading shall have lost its first digit: row, column, value."""
    numbered = visits.with_row_index("row").filter(pl.col("meter_m3").is_not_null())
    late = numbered.filter(pl.col("meter_m3").cast(pl.Float64) >= 100).filter(
        pl.int_range(pl.len()).over("site_id") == 4
    )
    chosen = late if late.height else numbered
    row = int(chosen["row"][chosen.height // 2])
    return row, "meter_m3", visits["meter_m3"][row][1:].lstrip("0") or "0"


def _written(frame: pl.DataFrame, row: int, column: str, value: str) -> pl.DataFrame:
    """Return the table with one cell written over."""
    return frame.with_columns(
        pl.when(pl.int_range(pl.len()) == row).then(pl.lit(value)).otherwise(pl.col(column)).alias(column)
    )
