"""Text files of every shape: what was found out about them, and the same rows out of all."""

from __future__ import annotations

import codecs

import pytest

from fleetstats.errors import IntakeError
from fleetstats.intake.readers.delimited import read_text

TEXT = "Site,Roof area,Note\nA,120,Café\nB,,x\n"
ROWS = [("A", "120", "Café", 2), ("B", None, "x", 3)]


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (TEXT.encode(), "UTF-8, comma, LF"),
        (codecs.BOM_UTF8 + TEXT.encode(), "UTF-8 with mark, comma, LF"),
        (codecs.BOM_UTF16_LE + TEXT.encode("utf-16-le"), "UTF-16, comma, LF"),
        (codecs.BOM_UTF16_BE + TEXT.encode("utf-16-be"), "UTF-16, comma, LF"),
        (TEXT.encode("utf-16-le"), "UTF-16 without mark, comma, LF"),
        (TEXT.encode("utf-16-be"), "UTF-16 without mark, comma, LF"),
        (TEXT.encode("cp1252"), "Windows-1252, comma, LF"),
        (TEXT.replace("\n", "\r\n").encode(), "UTF-8, comma, CRLF"),
        (TEXT.replace("\n", "\r").encode(), "UTF-8, comma, CR"),
        (TEXT.replace("\n", "\r", 1).encode(), "UTF-8, comma, line ends of several kinds"),
        (TEXT.replace("\n", "\r\n", 1).encode(), "UTF-8, comma, CRLF"),
        (TEXT.replace(",", ";").encode(), "UTF-8, semicolon, LF"),
        (TEXT.replace(",", "\t").encode(), "UTF-8, tab, LF"),
        (TEXT.replace(",", "|").encode(), "UTF-8, bar, LF"),
        (TEXT.replace(",", ";").replace("120", "120,5").encode(), "UTF-8, semicolon, LF, decimal comma"),
    ],
)
def test_encoding_separator_and_line_ends_are_found_out_and_told(data, told):
    grid = read_text(data, "log.csv")
    assert grid.told[0] == told
    rows = [tuple("120" if cell == "120,5" else cell for cell in row) for row in grid.rows.rows()]
    assert rows == ROWS
    assert grid.header == ("Site", "Roof area", "Note")


def test_title_rows_above_the_header_are_passed_over_or_named():
    body = b"Service log of all crews,,\n\nSite,Date,PSI in\nA,1/2/2024,48\n"
    for given in (None, 3):
        grid = read_text(body, "log.csv", header_row=given)
        assert (grid.header_line, grid.header) == (3, ("Site", "Date", "PSI in"))
        assert grid.rows.rows() == [("A", "1/2/2024", "48", 4)]


def test_a_header_row_beyond_the_end_is_named():
    with pytest.raises(IntakeError, match=r"line 9 is blank or beyond the end.*header_row"):
        read_text(TEXT.encode(), "log.csv", header_row=9)


def test_a_file_cut_off_inside_a_character_says_so():
    grid = read_text("Site,Note\nA,Café".encode()[:-1], "log.csv")
    assert grid.rows.rows() == [("A", "Caf", 2)]
    assert "cut off" in grid.told[1]


def test_a_line_cut_off_is_set_aside_with_its_text():
    grid = read_text(b"Site,Date,PSI\nA,1/2/2024,48\nB,2/2", "log.csv")
    assert [(bad.line, bad.text) for bad in grid.misshapen] == [(3, "B,2/2")]


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is empty"),
        (b" \n \n", "is empty"),
        (b"a,b\n1,\0\n", "line 2 holds a NUL byte"),
        (b"PK\x03\x04rest", "is no text but a workbook"),
        (b"PAR1rest", "is no text but a Parquet file"),
        (b"%PDF-1.4", "is no text but a PDF"),
        (b'a,b\n"open,1\n', "never closed"),
    ],
)
def test_what_is_no_text_in_rows_is_refused_with_what_to_do(data, message):
    with pytest.raises(IntakeError, match=message) as caught:
        read_text(data, "folder/log.csv")
    assert str(caught.value).startswith("folder/log.csv: ")
