"""Finds the files of records that are called after their table, and binds their columns to the table's."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import TABLES, Table, nearest, plain
from fleetstats.intake.readers import READABLE, Grid, Misshapen, read_grids, sheet_names
from fleetstats.intake.readers.choose import file_bytes, refuse_other_endings
from fleetstats.intake.set_aside import refuse_set_aside


@dataclass(frozen=True, slots=True)
class RawTable:
    """The rows of one file as text, for one table of records.

    `rows` has one text column for each column of the table that the file has, blank as null, and `line`
    (Int64): the line of the file that the row starts on, in Parquet the number of the row. `mapped` says that
    an import map made the rows from a sheet of another shape, whose account is kept for the sheet as a whole.
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
    mapped: bool = False

    @property
    def rows_read(self) -> int:
        """Return how many rows the file holds, blank lines not counted."""
        return self.rows.height + len(self.misshapen)


def read_tables(paths: Iterable[Path | str]) -> list[RawTable]:
    """Return the rows of every file named, or in a folder named, that holds a table of records.

    Parameters
    ----------
    paths : iterable of Path
        Files called after their table (`visits.csv`), workbooks with sheets called after tables, or folders
        of files called after their table. Other files in a folder are left alone.

    Raises
    ------
    IntakeError
        If a path does not exist, is no table of records, or lacks a required column; the message names the
        file, what was found, what is accepted and the nearest name.
    """
    found = [file for path in paths for file in _files_of(Path(path))]
    return [raw for file in dict.fromkeys(found) for raw in _read(file)]


def is_table_name(path: Path) -> bool:
    """Return whether a path is called after a table of records, or is a folder of such files."""
    return path.is_dir() or plain(path.stem) in TABLES


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
    refuse_other_endings(path)
    return [path]


def _read(path: Path) -> list[RawTable]:
    data = file_bytes(path)
    sheets = {name: plain(name) for name in sheet_names(data, path) if plain(name) in TABLES}
    if plain(path.stem) in TABLES and plain(path.stem) not in sheets.values():
        return [_table_of(data, path, TABLES[plain(path.stem)], None)]
    if sheets:
        return [_table_of(data, path, TABLES[table], sheet) for sheet, table in sheets.items()]
    raise IntakeError(
        f"{path}: '{path.stem}' is not the name of a table of records; accepted are {', '.join(TABLES)}; "
        f"the nearest is '{nearest(path.stem, TABLES)}': rename the file; or, if it is a sheet of your own, "
        f"write a map of it with fleetstats draft-map {path.name} and give that with --map"
    )


def _table_of(data: bytes, path: Path, table: Table, sheet: str | None) -> RawTable:
    known = set(table.names)

    def names_known(row: Sequence[str]) -> int:
        return sum(plain(cell) in known for cell in row)

    grid = read_grids(data, path, sheets=[sheet] if sheet else None, score=names_known)[0]
    digest = hashlib.sha256(data if sheet is None else data + sheet.encode()).hexdigest()
    return grid_table(grid, table, digest)


def grid_table(grid: Grid, table: Table, content_hash: str) -> RawTable:
    """Return a grid as rows of a table of records: its columns under the names of the table.

    Raises
    ------
    IntakeError
        If a column is there twice, or a required one is missing.
    """
    refuse_set_aside(grid.header, grid.place)
    refuse_twins(grid.header, grid.place)
    rows, ignored = _known_columns(grid.rows, grid.header, table, grid.place)
    return RawTable(
        table,
        Path(grid.file).name,
        grid.sheet,
        content_hash,
        rows,
        grid.misshapen,
        ignored,
        decimal_comma=grid.decimal_comma,
        notes=grid.told,
    )


def refuse_twins(header: Sequence[str], file: str) -> None:
    """Refuse a header that names a column twice.

    Raises
    ------
    IntakeError
        Naming those columns.
    """
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
