"""Reads Parquet and JSON Lines: typed values become text, dates the ISO way."""

import io
import json
from typing import Any

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.readers.encoding import decode
from fleetstats.intake.readers.grid import Grid, Misshapen, library_reads, numbered, trimmed, written


def read_parquet(data: bytes, file: str) -> Grid:
    """Return the rows of a Parquet file; a row's line is its number.

    Raises
    ------
    IntakeError
        If the bytes are no Parquet file.
    """
    try:
        with library_reads(file, "Parquet", "write it again or save it as CSV"):
            text, nested = written(pl.read_parquet(io.BytesIO(data)))
    except IntakeError as exc:
        raise IntakeError(f"{file}: is not a Parquet file that can be read; {exc}") from exc
    told = (f"columns that hold lists or bytes are not read: {', '.join(nested)}",) if nested else ()
    return Grid(file, None, tuple(text.columns), 0, trimmed(numbered(text, 1)), told=told)


def read_json_lines(data: bytes, file: str) -> Grid:
    """Return the rows of a file of JSON Lines: one object a line, the header is the names in order of sight.

    Raises
    ------
    IntakeError
        If the file is empty or no text.
    """
    text = decode(data, file)
    names: dict[str, None] = {}
    rows: list[dict[str, str | None]] = []
    lines: list[int] = []
    misshapen: list[Misshapen] = []
    for number, line in enumerate(text.body.decode().split("\n"), start=1):
        if not line.strip():
            continue
        row, reason = _object(line)
        if row is None:
            misshapen.append(Misshapen(number, line[:200], reason))
            continue
        names.update(dict.fromkeys(row))
        rows.append(row)
        lines.append(number)
    if not names:
        raise IntakeError(f"{file}: holds no rows; accepted is one JSON object a line")
    header = tuple(names)
    columns = {str(i): [row.get(name) for row in rows] for i, name in enumerate(header)}
    frame = pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String))
    frame = frame.with_columns(pl.Series("line", lines, dtype=pl.Int64))
    told = (f"{text.encoding}, JSON Lines", *text.notes)
    return Grid(file, None, header, 0, trimmed(frame), tuple(misshapen), told)


def _object(line: str) -> tuple[dict[str, str | None] | None, str]:
    try:
        value: Any = json.loads(line, parse_constant=str)
    except (ValueError, RecursionError):
        return None, 'the line is no JSON; write one object a line, as {"site_id": "A"}'
    if not isinstance(value, dict):
        return None, 'the line is no JSON object; write one object a line, as {"site_id": "A"}'
    return {str(name): _cell(cell) for name, cell in value.items()}, ""


def _cell(value: Any) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value) if isinstance(value, int | float) else json.dumps(value)
