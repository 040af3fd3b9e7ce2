"""Rows set aside, out and back in: as CSV with their own columns and the reason, mended, and loaded again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import plain
from fleetstats.intake.readers import Grid, read_grids
from fleetstats.intake.readers.choose import TEXT
from fleetstats.safe_csv import csv_text, unguarded
from fleetstats.store import Store

#: What stands beside the columns of a row set aside: why, and the row it was.
REASON, FILE, SHEET, LINE, ROW = (
    "set_aside_reason", "set_aside_file", "set_aside_sheet", "set_aside_line", "set_aside_row",
)  # fmt: skip
COLUMNS: Final = (REASON, FILE, SHEET, LINE, ROW)
_ENCODINGS: Final = ("utf-8", "utf-16-le", "utf-16-be")
#: One row a row of a sheet that was set aside and came back mended, by the mark of what it was; record is
#: what it was, as JSON.
_MENDED = (
    "CREATE TABLE IF NOT EXISTS journal.mended (load_id INTEGER, row_mark VARCHAR, file VARCHAR, "
    "sheet VARCHAR, line BIGINT, record VARCHAR)",
    "ALTER TABLE journal.mended ADD COLUMN IF NOT EXISTS record VARCHAR",
)


# -- out -------------------------------------------------------------------------------------------------


def write_set_aside(store: Store, folder: Path) -> list[Path]:
    """Return the files written: for each sheet or table of records its rows that are set aside.

    Parameters
    ----------
    store : Store
    folder : Path
        Made if need be. A table gets its own name; a sheet the name of its file with `_set_aside`.

    Raises
    ------
    IntakeError
        If the folder cannot be written.
    """
    query = (
        'SELECT table_name, file, sheet, line, "column", reason, record FROM journal.refused '
        'WHERE record IS NOT NULL ORDER BY file, sheet, line, kind, "column"'
    )
    files: dict[str, dict[tuple[str, str | None, int], dict[str, object]]] = {}
    for table, file, sheet, line, column, reason, record in store.run(query):
        cells: dict[str, object] = json.loads(record)
        rows = files.setdefault(_name_of(table, file, sheet, mapped=ROW in cells), {})
        told = f"{column}: {reason}" if column else reason
        row = rows.setdefault((file, sheet, line), {**cells, FILE: file, SHEET: sheet, LINE: line})
        row[REASON] = f"{row[REASON]} | {told}" if REASON in row else told
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, rows in sorted(files.items()):
            own = dict.fromkeys(key for row in rows.values() for key in row if key not in COLUMNS)
            header = [*own, *COLUMNS]
            text = csv_text(header, ([row.get(key) for key in header] for row in rows.values()))
            path = folder / name
            path.write_text(text, encoding="utf-8-sig", newline="")
            written.append(path)
    except OSError as exc:
        raise IntakeError(
            f"{folder}: cannot be written ({exc.strerror}); name another folder with --set-aside"
        ) from exc
    return written


def _name_of(table: str, file: str, sheet: str | None, *, mapped: bool) -> str:
    if not mapped:
        return f"{table}.csv"
    tail = "" if sheet is None else "_" + "".join(c if c.isalnum() else "_" for c in sheet)
    return f"{Path(file).stem}{tail}_set_aside.csv"


def records_of(cells: pl.DataFrame) -> dict[int, str]:
    """Return each row of a sheet as JSON by its line: its columns as written, and its mark."""
    marks = dict(zip(cells["line"].to_list(), row_marks(cells), strict=True))
    return {
        row["line"]: json.dumps(
            {**{k: v for k, v in row.items() if k not in ("line", *COLUMNS)}, ROW: marks[row["line"]]},
            ensure_ascii=False,
        )
        for row in cells.iter_rows(named=True)
    }


def row_marks(cells: pl.DataFrame) -> list[str]:
    """Return a short mark for each row, the same for the same cells."""
    names = [name for name in cells.columns if name not in ("line", *COLUMNS)]
    return [
        hashlib.sha256("\x1f".join(cell or "" for cell in row).encode()).hexdigest()[:16]
        for row in cells.select(names).iter_rows()
    ]


# -- back in ---------------------------------------------------------------------------------------------


def is_set_aside(header: Sequence[str]) -> bool:
    """Return whether a sheet holds rows that were set aside."""
    return {FILE, LINE, ROW} <= {plain(name) for name in header}


def read_set_aside(data: bytes, path: Path) -> list[Grid]:
    """Return the grid of a file of rows set aside, whose header is the first row whatever the map says.

    Returns
    -------
    list of Grid
        Empty if the file is none.
    """
    if path.suffix.lower() in TEXT and not any(LINE.encode(code) in data for code in _ENCODINGS):
        return []  # seen without reading it all
    try:
        grid = read_grids(data, path, score=lambda row: float(is_set_aside(row)))[0]
    except IntakeError:
        return []
    if not is_set_aside(grid.header):
        return []
    fields = [name for name in grid.rows.columns if name != "line"]
    bare = {
        name: {text: unguarded(text) for text in grid.rows[name].drop_nulls().unique().to_list()}
        for name in fields
    }
    rows = grid.rows.with_columns(
        pl.col(name).replace(list(told), list(told.values())) for name, told in bare.items() if told
    )
    return [replace(grid, rows=rows)]


def make_mended(store: Store) -> None:
    """Make the journal's table of rows that came back mended, if the store does not have it yet."""
    for statement in _MENDED:
        store.run(statement)


def rows_once_set_aside(store: Store) -> dict[str, list[dict[str, str | None]]]:
    """Return every row that is or was set aside, as it was written, with its place.

    Those of a sheet stand under their mark, those of a table of records under the file and line they had.
    """
    make_mended(store)
    query = (
        "SELECT file, sheet, line, record FROM journal.mended WHERE record IS NOT NULL UNION ALL "
        "SELECT file, sheet, line, record FROM journal.refused WHERE record IS NOT NULL"
    )
    found: dict[str, list[dict[str, str | None]]] = {}
    for file, sheet, line, record in store.run(query):
        cells = json.loads(record)
        place = {FILE: file, SHEET: sheet, LINE: str(line)}
        found.setdefault(cells.get(ROW) or spot(file, str(line)), []).append({**cells, **place})
    return found


def spot(file: str | None, line: str | None) -> str:
    """Return the place of a row of a table of records, as `rows_once_set_aside` writes it."""
    return f"{file}\n{line}"


def mended_lines(store: Store, grid: Grid) -> frozenset[int]:
    """Return the lines of a sheet whose rows, just as they stand, came back mended by an earlier load."""
    make_mended(store)
    marks = {mark for (mark,) in store.run("SELECT row_mark FROM journal.mended")}
    if not marks:
        return frozenset()
    cells = grid.rows.select("line", *(str(i) for i, name in enumerate(grid.header) if name))
    return frozenset(
        line for line, mark in zip(cells["line"].to_list(), row_marks(cells), strict=True) if mark in marks
    )


def without_lines(grid: Grid, lines: Collection[int]) -> Grid:
    """Return a grid less some lines."""
    return replace(grid, rows=grid.rows.filter(~pl.col("line").is_in(list(lines)))) if lines else grid


def note_mended(
    store: Store, load_id: int, cells: pl.DataFrame, refused: Collection[int], hashes: Sequence[str]
) -> None:
    """Note which rows came back mended, and let what is still wrong be told of the row it first was.

    Parameters
    ----------
    cells : DataFrame
        The rows that came back: `line`, the sheet's columns, and those of `COLUMNS`.
    refused : collection of int
        The lines of them that are refused again.
    hashes : sequence of str
        The content hashes under which this load noted what it set aside.
    """
    make_mended(store)
    names = {plain(name): name for name in cells.columns}
    file, line, was = (pl.col(names[name]) for name in (FILE, LINE, ROW))
    sheet = pl.col(names[SHEET]) if SHEET in names else pl.lit(None, pl.String)
    came = cells.with_columns(pl.Series("mark", row_marks(cells))).select(
        pl.col("line").alias("here"),
        file.alias("file"),
        sheet.alias("sheet"),
        line.cast(pl.Int64, strict=False).alias("line"),
        was.alias("was"),
        pl.col("line").is_in(list(refused)).alias("refused"),
        (pl.col("mark") != was).alias("edited"),
    )
    store.stage("came", came.filter(pl.col("line").is_not_null()))
    mine = {"h": list(hashes)}
    store.run(
        f"INSERT INTO journal.mended SELECT {load_id}, was, c.file, c.sheet, c.line, any_value(j.record) "
        "FROM temp.came AS c LEFT JOIN journal.refused AS j "
        f"ON json_extract_string(j.record, '$.{ROW}') = c.was "
        "WHERE edited AND NOT refused AND was NOT IN (SELECT row_mark FROM journal.mended) GROUP BY ALL"
    )
    store.run(
        "DELETE FROM journal.refused AS j USING temp.came AS c WHERE j.file = c.file AND j.line = c.line "
        "AND j.sheet IS NOT DISTINCT FROM c.sheet AND NOT list_contains($h, j.content_hash)",
        mine,
    )
    store.run(
        "UPDATE journal.refused AS j SET file = c.file, sheet = c.sheet, line = c.line FROM temp.came AS c "
        "WHERE list_contains($h, j.content_hash) AND j.line = c.here",
        mine,
    )
    store.run(
        "DELETE FROM journal.cuts AS j USING temp.came AS c WHERE NOT c.refused AND j.line = c.line "
        "AND j.file = c.file || coalesce(' [' || c.sheet || ']', '')"
    )
