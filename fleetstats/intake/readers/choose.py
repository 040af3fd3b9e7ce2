"""Opens a file, holds it against the size that is read, and picks the reader by its name."""

from collections.abc import Sequence
from pathlib import Path

from fleetstats.errors import IntakeError
from fleetstats.intake.readers.columnar import read_json_lines, read_parquet
from fleetstats.intake.readers.delimited import read_text
from fleetstats.intake.readers.grid import Grid, HeaderScore
from fleetstats.intake.readers.workbook import Workbook, workbook_grids

TEXT = (".csv", ".tsv", ".txt")
WORKBOOKS = (".xlsx", ".xlsm")
JSON_LINES = (".jsonl", ".ndjson")
READABLE = (*TEXT, *WORKBOOKS, ".parquet", *JSON_LINES)
#: A larger file is refused with what to do: it would not fit into the memory of an office computer.
LARGEST_FILE_BYTES = 2_000_000_000


def file_bytes(path: Path) -> bytes:
    """Return the content of a file.

    Raises
    ------
    IntakeError
        If it does not exist, is a folder, is too large, or may not be read.
    """
    try:
        if path.is_dir():
            raise IntakeError(f"{path}: is a folder; accepted here is one file; name the file in it")
        if not path.exists():
            raise IntakeError(f"{path}: not found; name an existing file of records or a folder of them")
        if not path.is_file():
            raise IntakeError(f"{path}: is no ordinary file; accepted is a file on disk; copy it into one")
        size = path.stat().st_size
        if size > LARGEST_FILE_BYTES:
            raise IntakeError(
                f"{path}: holds {size:,} bytes; accepted are files up to {LARGEST_FILE_BYTES:,}; split it, "
                "by year for instance, and load the parts"
            )
        return path.read_bytes()
    except (OSError, ValueError) as exc:
        raise IntakeError(f"{path}: cannot be read ({exc}); check the file and its rights") from exc


def refuse_other_endings(path: Path) -> None:
    """Refuse a file that no reader is for.

    Raises
    ------
    IntakeError
        Naming the endings that are read.
    """
    if path.suffix.lower() not in READABLE:
        raise IntakeError(
            f"{path}: a file ending in '{path.suffix}' is not read; accepted are {', '.join(READABLE)}; "
            "save it as CSV (UTF-8) or .xlsx"
        )


def read_grids(
    data: bytes,
    path: Path,
    *,
    sheets: Sequence[str] | None = None,
    header_row: int | None = None,
    score: HeaderScore | None = None,
) -> list[Grid]:
    """Return the grids of a file: one, or one for each sheet named.

    Parameters
    ----------
    data : bytes
        Its content.
    path : Path
        Its name, which says what kind of file it is.
    sheets : sequence of str, optional
        The sheets of a workbook; the first that holds anything if not given.
    header_row : int, optional
        The row of the header, counted from 1; found out if not given.
    score : callable, optional
        How well a row suits as a header.

    Raises
    ------
    IntakeError
        If the content is not what the name says, or holds no rows.
    """
    refuse_other_endings(path)
    ending, file = path.suffix.lower(), str(path)
    if ending in WORKBOOKS:
        return workbook_grids(data, file, sheets=sheets, header_row=header_row, score=score)
    if ending == ".parquet":
        return [read_parquet(data, file)]
    if ending in JSON_LINES:
        return [read_json_lines(data, file)]
    return [read_text(data, file, header_row=header_row, score=score)]


def sheet_names(data: bytes, path: Path) -> tuple[str, ...]:
    """Return the names of the sheets of a workbook; none for any other file."""
    return Workbook(data, str(path)).sheets if path.suffix.lower() in WORKBOOKS else ()
