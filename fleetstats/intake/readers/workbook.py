"""Reads the sheets of a workbook as they are shown: real dates the ISO way, formulas as their last value."""

import io
import re
import zipfile
from collections.abc import Sequence

import polars as pl

from fleetstats.errors import IntakeError
from fleetstats.intake.readers.grid import Grid, HeaderScore, best_header, library_reads, numbered, trimmed

#: A workbook that unpacks to more is refused: no service log is that large, a packed trap is.
MOST_UNPACKED_BYTES = 1_500_000_000
_REMEDY = "open it in a spreadsheet and save it again as .xlsx, or save the sheet as CSV"
_FORMULA = re.compile(rb"<f[ >/]")
_TAG = re.compile(rb"<[a-zA-Z][^>]*>")
_FAULT = re.compile(rb'<c [^>]*t="e"')


class Workbook:
    """One workbook, opened from its bytes.

    Raises
    ------
    IntakeError
        If the bytes are no workbook, are damaged, or unpack to more than is read.
    """

    def __init__(self, data: bytes, file: str) -> None:
        import fastexcel

        self.file = file
        _refuse_other_kinds(data, file)
        self._parts = _checked_parts(data, file)
        with library_reads(file, "a workbook", _REMEDY):
            self._reader = fastexcel.read_excel(data)
        self.sheets: tuple[str, ...] = tuple(self._reader.sheet_names)

    def grid(
        self, sheet: str, *, header_row: int | None = None, score: HeaderScore | None = None
    ) -> Grid | None:
        """Return the rows of a sheet under its header; None if the sheet holds nothing.

        Raises
        ------
        IntakeError
            If the sheet cannot be read, or `header_row` is beyond its end.
        """
        with library_reads(self.file, f"a workbook (sheet {sheet})", _REMEDY):
            loaded = self._reader.load_sheet(sheet, header_row=None, skip_rows=0, dtypes="string")
            cells = loaded.to_polars() if loaded.width else pl.DataFrame()
        rows = trimmed(numbered(cells.select(pl.all().cast(pl.String)), 1)) if cells.width else cells
        if rows.is_empty():
            return None
        text = rows.drop("line")
        if header_row is None:
            at = best_header(text.head(60).rows(), score)
        else:
            at = self._given_header(rows, sheet, header_row)
        header = [cell or "" for cell in text.row(at)]
        return Grid(
            self.file, sheet, tuple(header), int(rows["line"][at]), rows[at + 1 :], told=self._told(sheet)
        )

    def _given_header(self, rows: pl.DataFrame, sheet: str, header_row: int) -> int:
        lines: list[int] = rows["line"].to_list()
        if header_row not in lines:
            raise IntakeError(
                f"{self.file}, sheet {sheet}: row {header_row} is blank or beyond the end; accepted as "
                "header_row is the row of the header, counted from 1; correct header_row in the import map"
            )
        return lines.index(header_row)

    def _told(self, sheet: str) -> tuple[str, ...]:
        """Return what a reader of the cells alone would not notice: formulas and cells in error."""
        part = self._parts.get(self.sheets.index(sheet), b"")
        formulas, faults = len(_FORMULA.findall(part)), len(_FAULT.findall(part))
        told = []
        if formulas:
            told.append(f"{formulas} cells hold formulas: the value that was saved with them is read")
        if faults:
            told.append(f"{faults} cells show an error of the spreadsheet: read as blank")
        return tuple(told)


def _refuse_other_kinds(data: bytes, file: str) -> None:
    if data.startswith(b"PK"):
        return
    if not data:
        raise IntakeError(f"{file}: is empty; accepted is a workbook (.xlsx); save it again")
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise IntakeError(
            f"{file}: is a workbook of the old kind, or one with a password; accepted is .xlsx; open it in a "
            "spreadsheet and save it as .xlsx without a password"
        )
    kind = "text" if b"\0" not in data[:4000] else "no workbook"
    raise IntakeError(
        f"{file}: is called a workbook but holds {kind}; accepted is .xlsx; if it is text in rows, name it "
        ".csv, else save it again from the spreadsheet"
    )


def _checked_parts(data: bytes, file: str) -> dict[int, bytes]:
    """Return the XML of each sheet by its place, after every packed part was found whole and small enough."""
    with library_reads(file, "a workbook", _REMEDY), zipfile.ZipFile(io.BytesIO(data)) as packed:
        unpacked = sum(part.file_size for part in packed.infolist())
        if unpacked > MOST_UNPACKED_BYTES:
            raise IntakeError(
                f"{file}: unpacks to {unpacked:,} bytes; accepted are workbooks up to "
                f"{MOST_UNPACKED_BYTES:,}; save the sheet of visits as CSV"
            )
        broken = packed.testzip()
        if broken is not None:
            raise IntakeError(f"{file}: is damaged in its part {broken}; {_REMEDY}")
        return {i: packed.read(name) for i, name in enumerate(_part_names(packed)) if name}


def _part_names(packed: zipfile.ZipFile) -> list[str]:
    """Return the names of the parts that hold the sheets, in the order of the sheets."""
    names = set(packed.namelist())
    if not {"xl/workbook.xml", "xl/_rels/workbook.xml.rels"} <= names:
        return []
    tags = _TAG.findall(packed.read("xl/_rels/workbook.xml.rels"))
    places = {_value(tag, b"Id"): _value(tag, b"Target").lstrip("/").removeprefix("xl/") for tag in tags}
    sheets = [tag for tag in _TAG.findall(packed.read("xl/workbook.xml")) if tag.startswith(b"<sheet ")]
    parts = ["xl/" + places.get(_value(tag, b"r:id"), "") for tag in sheets]
    return [part if part in names else "" for part in parts]


def _value(tag: bytes, name: bytes) -> str:
    found = re.search(rb"\s" + name + rb'="([^"]*)"', tag)
    return found.group(1).decode(errors="replace") if found else ""


def workbook_grids(
    data: bytes,
    file: str,
    *,
    sheets: Sequence[str] | None = None,
    header_row: int | None = None,
    score: HeaderScore | None = None,
) -> list[Grid]:
    """Return the sheets named, or the first that holds anything.

    Raises
    ------
    IntakeError
        If a sheet named is not there, or nothing is found.
    """
    book = Workbook(data, file)
    missing = [name for name in sheets or () if name not in book.sheets]
    if missing:
        raise IntakeError(
            f"{file}: has no sheet '{missing[0]}'; it has {', '.join(book.sheets)}; correct the name"
        )
    found = []
    for name in sheets or book.sheets:
        grid = book.grid(name, header_row=header_row, score=score)
        if grid is not None:
            found.append(grid)
            if not sheets:
                break
    if not found:
        raise IntakeError(f"{file}: its sheets are empty; accepted is a header row and one row a visit")
    return found
