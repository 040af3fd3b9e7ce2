"""Reads text in rows: comma, semicolon, tab or bar between the fields, whatever the encoding."""

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence

import numpy as np
import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.readers.encoding import decode
from fleetstats.intake.readers.grid import (
    ROWS_SEARCHED,
    Grid,
    HeaderScore,
    Misshapen,
    best_header,
    library_reads,
    trimmed,
)
from fleetstats.intake.readers.records_of_text import TextRecords

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_SAMPLE_BYTES = 200_000
_DECIMAL_COMMA = re.compile(rb'[;\t|\n]"?[+-]?\d+,\d{1,2}"?[;\t|\r\n]')


def read_text(
    data: bytes, file: str, *, header_row: int | None = None, score: HeaderScore | None = None
) -> Grid:
    """Return the rows of a text file under its header.

    Parameters
    ----------
    header_row : int, optional
        The line of the header, counted from 1; found out if not given.
    score : callable, optional
        How well a row suits as a header.

    Raises
    ------
    IntakeError
        If the file is empty or no text, has an open quote, or ends before its header.
    """
    text = decode(data, file)
    body = text.body
    if not body[:_SAMPLE_BYTES].strip() and not body.strip():  # stripping copies it all
        raise IntakeError(f"{file}: is empty; accepted is a header line and one line a row")
    separator = _separator(body, header_row, score)
    records = TextRecords.of(body, separator)
    if records.open_quote:
        raise IntakeError(
            f"{file}: a quotation mark is opened and never closed (the last line that could be told apart is "
            f'{records.lines[-1]}); close it, and write a quotation mark inside a field twice ("")'
        )
    at = _header_record(records, separator, file, header_row, score)
    header = _fields(records.text(at), separator)
    body_rows = np.arange(len(records.starts)) > at
    bad = np.flatnonzero((records.fields != len(header)) & body_rows)
    frame = _parse(*records.after(at, bad), separator, len(header), file)
    good = body_rows
    good[bad] = False
    frame = frame.with_columns(pl.Series("line", records.lines[good], dtype=pl.Int64))
    comma = separator != "," and bool(_DECIMAL_COMMA.search(body))
    shape = f"{text.encoding}, {SEPARATORS[separator]}, {text.line_ends}{', decimal comma' if comma else ''}"
    return Grid(
        file,
        None,
        tuple(header),
        int(records.lines[at]),
        trimmed(frame, bare=records.bare_fields(separator)),
        tuple(_misshapen(records, i, len(header)) for i in bad.tolist() if records.text(i).strip()),
        (shape, *text.notes),
        decimal_comma=separator != ",",
    )


def _fields(line: str, separator: str) -> list[str]:
    """Return the fields of one record; an odd quotation mark in it is part of the text."""
    return next(csv.reader(io.StringIO(line), delimiter=separator), [])


def _sample(body: bytes) -> list[str]:
    text = body[:_SAMPLE_BYTES].decode(errors="ignore")
    return [line for line in text.replace("\r", "").split("\n")[: 4 * ROWS_SEARCHED] if line.strip()]


def _separator(body: bytes, header_row: int | None, score: HeaderScore | None) -> str:
    """Return the separator under which the header holds most known names, or else the lines agree best."""
    lines = _sample(body)

    def suits(separator: str) -> tuple[float, float, int]:
        rows = [_fields(line, separator) for line in lines]
        known = max((score(row) for row in rows[:ROWS_SEARCHED]), default=0) if score else 0
        widths = Counter(len(row) for row in rows if len(row) > 1)
        width, count = widths.most_common(1)[0] if widths else (1, 0)
        return known, round(count / max(len(rows), 1), 1), width

    return max(SEPARATORS, key=suits)


def _header_record(
    records: TextRecords, separator: str, file: str, header_row: int | None, score: HeaderScore | None
) -> int:
    if header_row is None:
        first: Sequence[list[str]] = [
            _fields(records.text(i), separator) for i in range(min(len(records.starts), ROWS_SEARCHED))
        ]
        return best_header(first, score)
    place = np.flatnonzero(records.lines == header_row)
    if not len(place):
        raise IntakeError(
            f"{file}: line {header_row} is blank or beyond the end; accepted as header_row is the line of "
            "the header, counted from 1; correct header_row in the import map"
        )
    return int(place[0])


def _misshapen(records: TextRecords, i: int, wanted: int) -> Misshapen:
    found = int(records.fields[i])
    return Misshapen(
        int(records.lines[i]),
        records.text(i)[:200],
        f"the line has {found} fields where the header has {wanted}; write every field, blank ones too, and "
        "put quotation marks round a text that holds the separator",
    )


def _parse(body: bytes, skipped_lines: int, separator: str, width: int, file: str) -> pl.DataFrame:
    """Return the fields below the lines skipped, as text under the names "0", "1", ..."""
    names = [str(i) for i in range(width)]
    if not body:
        return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    with library_reads(file, "CSV", "save it again as CSV (UTF-8)"):
        return pl.read_csv(
            body,
            separator=separator,
            has_header=False,
            new_columns=names,
            infer_schema=False,
            skip_lines=skipped_lines,
        )
