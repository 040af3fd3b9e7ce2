"""Reads a file of records as rows of text, each with the line it stands on; judges only its shape."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import TABLES, Table, nearest, plain

SEPARATORS = (",", ";", "\t")
READABLE = (".csv", ".parquet")


@dataclass(frozen=True, slots=True)
class Misshapen:
    """One line of a file whose number of fields is not that of the header."""

    line: int
    text: str
    reason: str


@dataclass(frozen=True, slots=True)
class RawTable:
    """The rows of one file as text, for one table of records.

    `rows` has one text column for each column of the table that the file has, blank as null, and `line`
    (Int64): the line of the file that the row starts on, in Parquet the number of the row.
    """

    table: Table
    file: str
    sheet: str | None
    content_hash: str
    rows: pl.DataFrame
    misshapen: tuple[Misshapen, ...] = ()
    ignored_columns: tuple[str, ...] = ()
    decimal_comma: bool = False
    notes: tuple[str, ...] = ()

    @property
    def rows_read(self) -> int:
        """Return how many rows the file holds, blank lines not counted."""
        return self.rows.height + len(self.misshapen)


def read_tables(paths: Iterable[Path | str]) -> list[RawTable]:
    """Return the rows of every file named, or in a folder named, that holds a table of records.

    Parameters
    ----------
    paths : iterable of Path
        Files called after their table (`visits.csv`) or folders of such files. Other files in a folder are
        left alone.

    Raises
    ------
    IntakeError
        If a path does not exist, is no table of records, or lacks a required column; the message names the
        file, what was found, what is accepted and the nearest name.
    """
    found = [file for path in paths for file in _files_of(Path(path))]
    return [_read(file) for file in dict.fromkeys(found)]


def _files_of(path: Path) -> list[Path]:
    if path.is_dir():
        inside = sorted(p for p in path.iterdir() if p.suffix.lower() in READABLE and plain(p.stem) in TABLES)
        if not inside:
            raise IntakeError(
                f"{path}: no file of records in this folder; accepted are files called after their table, "
                f"{', '.join(TABLES)}, ending in {' or '.join(READABLE)}; rename the files"
            )
        return inside
    if not path.exists():
        raise IntakeError(f"{path}: not found; name an existing file of records or a folder of them")
    if path.suffix.lower() not in READABLE:
        raise IntakeError(
            f"{path}: a file ending in '{path.suffix}' is not read; accepted are {', '.join(READABLE)}; "
            "save it as CSV (UTF-8)"
        )
    if plain(path.stem) not in TABLES:
        raise IntakeError(
            f"{path}: '{path.stem}' is not the name of a table of records; accepted are {', '.join(TABLES)}; "
            f"the nearest is '{nearest(path.stem, TABLES)}': rename the file"
        )
    return [path]


def _read(path: Path) -> RawTable:
    table = TABLES[plain(path.stem)]
    try:
        data = path.read_bytes()
    except OSError as exc:
        raise IntakeError(f"{path}: cannot be read ({exc.strerror}); check the file and its rights") from exc
    digest = hashlib.sha256(data).hexdigest()
    if path.suffix.lower() == ".parquet":
        return parquet_table(data, table, str(path), digest)
    return text_table(data, table, str(path), digest)


def parquet_table(data: bytes, table: Table, file: str, content_hash: str) -> RawTable:
    """Return the rows of a Parquet file as text; dates and numbers are written the ISO way.

    Raises
    ------
    IntakeError
        If the bytes are no Parquet file or a required column is missing.
    """
    try:
        frame = pl.read_parquet(io.BytesIO(data))
    except (pl.exceptions.PolarsError, OSError) as exc:
        raise IntakeError(f"{file}: is not a Parquet file ({exc}); write it again or save it as CSV") from exc
    nested = [name for name, kind in frame.schema.items() if kind.is_nested() or kind == pl.Binary]
    text = frame.drop(nested).select(pl.all().cast(pl.String))
    header = text.columns
    _refuse_twins(header, file)
    text = text.rename(dict(zip(header, map(str, range(len(header))), strict=True)))
    lines = pl.Series("line", np.arange(1, frame.height + 1), dtype=pl.Int64)
    rows, ignored = _known_columns(_trimmed(text.with_columns(lines)), header, table, file)
    return RawTable(table, Path(file).name, None, content_hash, rows, (), (*ignored, *nested))


def text_table(data: bytes, table: Table, file: str, content_hash: str) -> RawTable:
    """Return the rows of a CSV file (comma, semicolon or tab) as text.

    Raises
    ------
    IntakeError
        If the file is empty, has an open quote, or lacks a required column.
    """
    body, notes = _utf8(data)
    if not body.strip():
        raise IntakeError(f"{file}: is empty; accepted is a header line and one line a row")
    separator = _separator(body, table)
    shape = _Shape.of(body, separator)
    if shape.open_quote:
        raise IntakeError(
            f"{file}: a quotation mark is opened and never closed (the last line that could be told apart is "
            f'{shape.lines[-1]}); close it, and write a quotation mark inside a field twice ("")'
        )
    header = next(csv.reader(io.StringIO(shape.text(0)), delimiter=separator))
    _refuse_twins(header, file)
    bad = np.flatnonzero(shape.fields != len(header))
    frame = _parse(shape.without_header_and(bad), separator, len(header), file)
    frame = frame.with_columns(pl.Series("line", np.delete(shape.lines, bad)[1:], dtype=pl.Int64))
    rows, ignored = _known_columns(_trimmed(frame), header, table, file)
    return RawTable(
        table,
        Path(file).name,
        None,
        content_hash,
        rows,
        tuple(_misshapen(shape, i, len(header)) for i in bad.tolist() if shape.text(i).strip()),
        ignored,
        decimal_comma=separator != ",",
        notes=notes,
    )


def _utf8(data: bytes) -> tuple[bytes, tuple[str, ...]]:
    body = data.removeprefix(b"\xef\xbb\xbf")
    if body.isascii():
        return body, ()
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        text = body.decode("cp1252", errors="replace")
        return text.encode(), ("not UTF-8: read as Windows-1252; check names with accents",)
    return body, ()


def _separator(body: bytes, table: Table) -> str:
    """Return the separator under which the header holds the most names of the table."""
    header = body.lstrip(b"\r\n").split(b"\n", 1)[0].decode(errors="replace")
    known = set(table.names)

    def names(separator: str) -> tuple[int, int]:
        cells = next(csv.reader([header.rstrip("\r")], delimiter=separator), [])
        return sum(plain(cell) in known for cell in cells), len(cells)

    return max(SEPARATORS, key=names)


@dataclass(frozen=True, slots=True)
class _Shape:
    """Where each record of a text file starts and ends, its line, and how many fields it has."""

    body: bytes
    starts: np.ndarray
    ends: np.ndarray
    lines: np.ndarray
    fields: np.ndarray
    open_quote: bool

    @classmethod
    def of(cls, body: bytes, separator: str) -> _Shape:
        """Return the shape of `body`: a newline or separator inside quotes is part of a field."""
        codes = np.frombuffer(body, dtype=np.uint8)
        newlines = np.flatnonzero(codes == ord("\n"))
        separators = np.flatnonzero(codes == ord(separator))
        breaks, open_quote = newlines, False
        if b'"' in body:
            quotes = np.flatnonzero(codes == ord('"'))
            breaks = newlines[np.searchsorted(quotes, newlines) % 2 == 0]
            separators = separators[np.searchsorted(quotes, separators) % 2 == 0]
            open_quote = len(quotes) % 2 == 1
        ends = np.append(breaks, len(body))
        starts = np.append(0, breaks + 1)
        lines = (
            np.searchsorted(newlines, starts) + 1
            if len(breaks) < len(newlines)
            else np.arange(len(starts)) + 1
        )
        fields = _count_fields(separators, starts, ends)
        blank = (ends <= starts) | ((ends == starts + 1) & (codes[np.minimum(starts, len(codes) - 1)] == 13))
        kept = ~blank
        return cls(body, starts[kept], ends[kept], lines[kept], fields[kept], open_quote)

    def text(self, i: int) -> str:
        """Return the text of record `i`."""
        return self.body[self.starts[i] : self.ends[i]].decode().rstrip("\r")

    def without_header_and(self, bad: np.ndarray) -> bytes:
        """Return the file less its header, the records `bad` and the blank ones."""
        starts, ends = np.delete(self.starts, bad)[1:], np.delete(self.ends, bad)[1:]
        if not len(starts):
            return b""
        if int((ends - starts + 1).sum()) == ends[-1] - starts[0] + 1:
            return self.body[starts[0] : ends[-1]]
        return b"\n".join(self.body[i:j] for i, j in zip(starts, ends, strict=True))


def _count_fields(separators: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return how many fields each record has."""
    filled = ends > starts  # a blank line has no separator
    each, rest = divmod(len(separators), max(int(filled.sum()), 1))
    if each and not rest:  # nearly always: the same number in every record, seen without searching
        table = separators.reshape(-1, each)
        if (table[:, 0] >= starts[filled]).all() and (table[:, -1] < ends[filled]).all():
            return np.where(filled, each + 1, 1)
    before_end = np.searchsorted(separators, ends)
    return np.diff(before_end, prepend=0) + 1


def _misshapen(shape: _Shape, i: int, wanted: int) -> Misshapen:
    found = int(shape.fields[i])
    return Misshapen(
        int(shape.lines[i]),
        shape.text(i)[:200],
        f"the line has {found} fields where the header has {wanted}; write every field, blank ones too, and "
        "put quotation marks round a text that holds the separator",
    )


def _parse(body: bytes, separator: str, width: int, file: str) -> pl.DataFrame:
    """Return the fields as text under the names "0", "1", ..."""
    names = [str(i) for i in range(width)]
    if not body:
        return pl.DataFrame(schema=dict.fromkeys(names, pl.String))
    try:
        return pl.read_csv(
            body,
            separator=separator,
            has_header=False,
            new_columns=names,
            infer_schema=False,
        )
    except pl.exceptions.PolarsError as exc:
        raise IntakeError(f"{file}: cannot be read as CSV ({exc}); save it again as CSV (UTF-8)") from exc


def _trimmed(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the rows that hold anything but white space, without the white space round each field."""
    fields = [name for name in frame.columns if name != "line"]
    bare = frame.with_columns(pl.col(fields).str.strip_chars())
    hollow = [name for name in fields if (bare[name] == "").any()]
    bare = bare.with_columns(pl.when(pl.col(name) != "").then(pl.col(name)) for name in hollow)
    return bare.remove(pl.all_horizontal(pl.exclude("line").is_null()))


def _refuse_twins(header: Sequence[str], file: str) -> None:
    names = [plain(name) for name in header if plain(name)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise IntakeError(
            f"{file}: the header names {', '.join(twice)} twice; accepted is each column once; rename or "
            "delete one"
        )


def _known_columns(
    frame: pl.DataFrame, header: Sequence[str], table: Table, file: str
) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Return the columns that the table knows under its names, with `line`, and the headers of the others."""
    place = {plain(name): str(i) for i, name in enumerate(header) if plain(name)}
    for name in table.required:
        if name not in place:
            raise IntakeError(
                f"{file}: the required column '{name}' is missing; found are {', '.join(header)}; "
                f"the nearest is '{nearest(name, place) if place else ''}'; "
                f"accepted are {', '.join(table.names)}: rename the column"
            )
    known = [name for name in table.names if name in place]
    rows = frame.select([pl.col(place[name]).alias(name) for name in known] + [pl.col("line")])
    return rows, tuple(name for name in header if plain(name) and plain(name) not in known)
