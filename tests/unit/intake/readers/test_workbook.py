"""Workbooks: sheets, titles, real dates, formulas, and files that are none."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from pathlib import Path

import pytest
import xlsxwriter

from fleetstats.errors import IntakeError
from fleetstats.intake.files import read_tables
from fleetstats.intake.readers import choose, read_grids, workbook
from fleetstats.intake.readers.workbook import Workbook, workbook_grids

LOG = Path(__file__).parents[3] / "data" / "ridge_service_log.xlsx"


def book(write, *, more=()):
    """Return the bytes of a workbook whose sheet Log is filled by `write(sheet, book)`."""
    place = io.BytesIO()
    with xlsxwriter.Workbook(place, {"in_memory": True}) as made:
        write(made.add_worksheet("Log"), made)
        for name in more:
            made.add_worksheet(name)
    return place.getvalue()


def visits(sheet, made):
    day = made.add_format({"num_format": "yyyy-mm-dd"})
    sheet.write_row(2, 1, ["visit_id", "site_id", "visit_date", "flow_lpm"])
    sheet.write_row(3, 1, ["v1", "A"])
    sheet.write_datetime(3, 3, dt.datetime(2024, 1, 2), day)
    sheet.write_number(3, 4, 12.5)
    sheet.write_row(5, 1, [" v2 ", "A", "2024-03-04", 13])


def test_rows_are_numbered_as_the_spreadsheet_shows_them():
    grid = workbook_grids(book(visits), "log.xlsx")[0]
    assert grid.header == ("visit_id", "site_id", "visit_date", "flow_lpm")
    assert grid.header_line == 3
    assert grid.rows.rows() == [
        ("v1", "A", "2024-01-02 00:00:00", "12.5", 4),
        ("v2", "A", "2024-03-04", "13", 6),
    ]


def test_a_formula_is_read_as_the_value_saved_with_it_and_told():
    def write(sheet, _):
        sheet.write_row(0, 0, ["Site", "Flow", "Press"])
        sheet.write_string(1, 0, "A")
        sheet.write_formula(1, 1, "=6*2", None, 12)
        sheet.write_formula(1, 2, "=1/0", None, "#DIV/0!")

    grid = workbook_grids(book(write), "log.xlsx")[0]
    assert grid.rows.rows() == [("A", "12", None, 2)]
    assert grid.told == (
        "2 cells hold formulas: the value that was saved with them is read",
        "1 cells show an error of the spreadsheet: read as blank",
    )


def test_a_text_that_looks_like_a_formula_stays_text():
    grid = read_grids(b"Site,Note\nA,=SUM(B1:B9)\n", Path("log.csv"))[0]
    assert grid.rows.rows() == [("A", "=SUM(B1:B9)", 2)]


def test_sheets_are_chosen_by_name_and_missing_ones_named():
    data = LOG.read_bytes()
    assert Workbook(data, "log.xlsx").sheets == ("Log", "Price list")
    assert [grid.rows.height for grid in workbook_grids(data, "log.xlsx", sheets=["Log"])] == [1491]
    with pytest.raises(IntakeError, match="no sheet 'Logg'; it has Log, Price list"):
        workbook_grids(data, "log.xlsx", sheets=["Logg"])
    with pytest.raises(IntakeError, match="row 2 is blank or beyond the end"):
        workbook_grids(data, "log.xlsx", sheets=["Log"], header_row=2)


def test_a_workbook_with_sheets_called_after_tables_is_records(tmp_path):
    place = tmp_path / "our records.xlsx"
    with xlsxwriter.Workbook(place) as made:
        made.add_worksheet("Sites").write_row(0, 0, ["site_id"])
        visits(made.add_worksheet("Visits"), made)
        made.add_worksheet("Prices")
        made.get_worksheet_by_name("Sites").write_row(1, 0, ["A"])
    found = {raw.table.name: raw for raw in read_tables([place])}
    assert set(found) == {"sites", "visits"}
    assert found["visits"].sheet == "Visits"
    assert found["visits"].rows.select("visit_id", "line").rows() == [("v1", 4), ("v2", 6)]


@pytest.mark.parametrize("cut", [10, 400, -300])
def test_a_workbook_cut_off_is_refused(cut):
    with pytest.raises(IntakeError, match=r"log\.xlsx: .*damaged or cut off"):
        workbook_grids(LOG.read_bytes()[:cut], "log.xlsx")


def test_a_workbook_with_a_byte_changed_is_refused():
    data = bytearray(LOG.read_bytes())
    data[len(data) // 2] ^= 0xFF
    with pytest.raises(IntakeError, match=r"log\.xlsx: "):
        workbook_grids(bytes(data), "log.xlsx")


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is empty"),
        (b"Site,Date\nA,1/2/2024\n", "called a workbook but holds text"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "of the old kind, or one with a password"),
        (b"\0\1\2", "holds no workbook"),
    ],
)
def test_what_is_no_workbook_is_refused_with_what_to_do(data, message):
    with pytest.raises(IntakeError, match=message):
        workbook_grids(data, "log.xlsx")


def test_a_packed_file_that_is_no_workbook_is_refused():
    place = io.BytesIO()
    with zipfile.ZipFile(place, "w") as packed:
        packed.writestr("letter.txt", "dear customer")
    with pytest.raises(IntakeError, match="cannot be read as a workbook"):
        workbook_grids(place.getvalue(), "log.xlsx")


def test_a_workbook_that_unpacks_to_too_much_is_refused(monkeypatch):
    monkeypatch.setattr(workbook, "MOST_UNPACKED_BYTES", 1000)
    with pytest.raises(IntakeError, match="accepted are workbooks up to 1,000"):
        workbook_grids(LOG.read_bytes(), "log.xlsx")


def test_empty_sheets_are_no_rows():
    with pytest.raises(IntakeError, match="its sheets are empty"):
        workbook_grids(book(lambda *_: None, more=["Two"]), "log.xlsx")


def test_a_file_over_the_limit_a_folder_and_a_missing_file_are_refused(tmp_path, monkeypatch):
    place = tmp_path / "log.csv"
    place.write_text("site_id\nA\n")
    monkeypatch.setattr(choose, "LARGEST_FILE_BYTES", 5)
    with pytest.raises(IntakeError, match="holds 10 bytes; accepted are files up to 5; split it"):
        choose.file_bytes(place)
    with pytest.raises(IntakeError, match="is a folder"):
        choose.file_bytes(tmp_path)
    with pytest.raises(IntakeError, match="not found"):
        choose.file_bytes(tmp_path / "nowhere.csv")
    with pytest.raises(IntakeError, match=r"cannot be read|not found"):
        choose.file_bytes(tmp_path / "a\0b.csv")
