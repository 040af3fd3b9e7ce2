"""CSV text that a spreadsheet opens without taking a cell for a formula."""

import csv
import io
import re
from collections.abc import Iterable

import polars as pl

_RISKY = tuple("=+-@\t\r")
_FIGURE = re.compile(r"[+-]?[\d.,]+(e[+-]?\d+)?")


def guarded(cell: str) -> str:
    """Return a cell with an apostrophe before a leading = + - @ tab or CR; figures alone stay as they are."""
    return "'" + cell if cell.startswith(_RISKY) and not _FIGURE.fullmatch(cell) else cell


def unguarded(cell: str) -> str:
    """Return a cell as it was before `guarded`."""
    return cell[1:] if cell[:1] == "'" and cell[1:].startswith(_RISKY) else cell


def csv_text(header: Iterable[str], rows: Iterable[Iterable[object]], *, line_end: str = "\n") -> str:
    """Return header and rows as CSV text, every text cell of a row guarded."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator=line_end)
    writer.writerow(header)
    writer.writerows([guarded(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    return text.getvalue()


def guarded_frame(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a frame with every text cell guarded."""
    texts = frame.select(pl.col(pl.String))
    return frame.with_columns(
        pl.Series(text.name, [cell and guarded(cell) for cell in text], dtype=pl.String) for text in texts
    )
