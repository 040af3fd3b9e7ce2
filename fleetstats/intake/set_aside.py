"""Writes the rows set aside as CSV with their own columns and the reason, to be read; refuses such a file."""

import json
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import plain
from fleetstats.outputs import own_folder
from fleetstats.safe_csv import csv_text
from fleetstats.store import Store

#: What stands beside the columns of a row set aside: why, and where it stands.
COLUMNS = REASON, FILE, SHEET, LINE = (
    "set_aside_reason", "set_aside_file", "set_aside_sheet", "set_aside_line",
)  # fmt: skip
ENDING = "_set_aside"
#: What the folder of such files is called in its list of files.
SET_ASIDE = "folder of rows set aside"


def write_set_aside(store: Store, folder: Path) -> list[Path]:
    """Return the files written: for each sheet or file of records its rows that are set aside.

    Parameters
    ----------
    store : Store
    folder : Path
        A new folder, or one that an earlier call wrote. A file is called after the one its rows stand in,
        with `_set_aside`.

    Raises
    ------
    OutputError
        If the folder holds anything else, or cannot be written.
    """
    query = (
        'SELECT file, sheet, line, "column", reason, record FROM journal.refused '
        'WHERE record IS NOT NULL ORDER BY file, sheet, line, kind, "column"'
    )
    files: dict[str, dict[tuple[str, str | None, int], dict[str, object]]] = {}
    for file, sheet, line, column, reason, record in store.run(query):
        place = {FILE: file, SHEET: sheet, LINE: line}
        rows = files.setdefault(_name_of(file, sheet), {})
        row = rows.setdefault((file, sheet, line), {**json.loads(record), **place})
        told = f"{column}: {reason}" if column else reason
        row[REASON] = f"{row[REASON]} | {told}" if REASON in row else told
    written = []
    with own_folder(folder, SET_ASIDE) as fresh:
        for name, rows in sorted(files.items()):
            own = dict.fromkeys(key for row in rows.values() for key in row if key not in COLUMNS)
            header = [*own, *COLUMNS]
            text = csv_text(header, ([row.get(key) for key in header] for row in rows.values()))
            (fresh / name).write_text(text, encoding="utf-8-sig", newline="")
            written.append(folder / name)
    return written


def _name_of(file: str, sheet: str | None) -> str:
    tail = "" if sheet is None else "_" + "".join(c if c.isalnum() else "_" for c in sheet)
    return f"{Path(file).stem}{tail}{ENDING}.csv"


def records_of(cells: pl.DataFrame) -> dict[int, str]:
    """Return each row of a sheet as JSON by its line, its columns as written."""
    return {row.pop("line"): json.dumps(row, ensure_ascii=False) for row in cells.iter_rows(named=True)}


def refuse_set_aside(header: Sequence[str], file: str) -> None:
    """Refuse a file of rows that were set aside: loading it would leave the sheet as wrong as it was.

    Raises
    ------
    IntakeError
        Saying what the file is and what to do instead.
    """
    if {FILE, LINE} <= {plain(name) for name in header}:
        raise IntakeError(
            f"{file}: holds rows that were set aside, with the reasons, to be read; accepted is your own "
            f"sheet: correct these rows there ({FILE} and {LINE} say where) and load that again"
        )
