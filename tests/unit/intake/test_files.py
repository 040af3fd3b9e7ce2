"""Files of many shapes, read as text with the line each row stands on."""

from __future__ import annotations

import polars as pl
import pytest

from fleetstats.errors import IntakeError
from fleetstats.intake.fields import TABLES, plain
from fleetstats.intake.files import grid_table, read_tables
from fleetstats.intake.readers.delimited import read_text

SITES = TABLES["sites"]


def read(body, table=SITES):
    data = body if isinstance(body, bytes) else body.encode()
    return grid_table(read_text(data, "folder/sites.csv", score=known), table, "hash")


def known(row):
    return sum(plain(cell) in SITES.names for cell in row)


def cells(raw):
    return raw.rows.rows()


@pytest.mark.parametrize(
    "body",
    [
        "site_id,site_name\nA,Upper Ford\nB,\n",
        "site_id;site_name\nA;Upper Ford\nB;\n",
        "site_id\tsite_name\nA\tUpper Ford\nB\t\n",
        "site_id,site_name\r\nA,Upper Ford\r\nB,\r\n",
        "\ufeffsite_id,site_name\nA,Upper Ford\nB,",
        'Site ID,SITE-NAME\n"A"," Upper Ford "\nB,""\n',
        "site_name,site_id\nUpper Ford,A\n,B\n",
    ],
)
def test_separators_line_ends_and_headers(body):
    raw = read(body)
    assert cells(raw) == [("A", "Upper Ford", 2), ("B", None, 3)]
    assert raw.rows_read == 2


def test_lines_are_counted_over_quoted_newlines_and_blank_lines():
    raw = read('\nsite_id,site_name\n\n"A","two\nlines"\n   \n,\nB,"a ""quoted"", word"\r\n\nC,x')
    assert cells(raw) == [("A", "two\nlines", 4), ("B", 'a "quoted", word', 8), ("C", "x", 10)]
    assert raw.rows_read == 3
    assert raw.misshapen == ()


def test_a_line_with_another_number_of_fields_is_named():
    raw = read("site_id,site_name\nA,x\nB\nC,y,z\nD,w\n")
    assert cells(raw) == [("A", "x", 2), ("D", "w", 5)]
    assert [(bad.line, bad.text) for bad in raw.misshapen] == [(3, "B"), (4, "C,y,z")]
    assert "1 fields where the header has 2" in raw.misshapen[0].reason
    assert raw.rows_read == 4


def test_windows_1252_is_read_and_said():
    raw = read("site_id,site_name\nA,Café\n".encode("cp1252"))
    assert cells(raw) == [("A", "Café", 2)]
    assert raw.notes == (
        "Windows-1252, comma, LF",
        "not UTF-8: read as Windows-1252; check names with accents",
    )
    assert read("site_id,site_name\nA,Café\n").notes == ("UTF-8, comma, LF",)


def test_a_header_alone_is_no_rows():
    assert read("site_id,site_name\n").rows_read == 0


def test_the_decimal_sign_goes_with_the_separator():
    assert read("site_id;occupants\nA;2,5\n").decimal_comma
    assert not read("site_id,occupants\nA,2.5\n").decimal_comma


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ("", "is empty"),
        (
            "site_name\nA\n",
            r"required column 'site_id' is missing; found are site_name; the nearest is 'site_name'",
        ),
        ("site,site_name\nA,x\n", r"the nearest is 'site'; accepted are site_id, site_name, "),
        ("site_id,Site ID\nA,B\n", "names site_id twice"),
        ('site_id,site_name\nA,"open\nB,x\n', "never closed"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(body, message):
    with pytest.raises(IntakeError, match=message) as caught:
        read(body)
    assert "folder/sites.csv" in str(caught.value)


def test_a_folder_gives_its_tables_and_leaves_the_rest(tmp_path):
    (tmp_path / "Sites.CSV").write_text("site_id\nA\n")
    (tmp_path / "readme.txt").write_text("not a table")
    (tmp_path / "sketch.csv").write_text("not,a,table\n")
    pl.DataFrame({"visit_id": ["a"], "site_id": ["A"], "visit_date": ["2024-01-01"]}).write_parquet(
        tmp_path / "visits.parquet"
    )
    assert sorted(raw.table.name for raw in read_tables([tmp_path, tmp_path / "Sites.CSV"])) == [
        "sites",
        "visits",
    ]


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("nowhere.csv", "not found"),
        ("sites.docx", "ending in '.docx' is not read"),
        ("sitess.csv", "nearest is 'sites'"),
        ("empty", "no file of records in this folder"),
        ("visits.parquet", "is not a Parquet file"),
    ],
)
def test_a_path_that_is_no_file_of_records(tmp_path, name, message):
    (tmp_path / "sites.docx").write_text("x")
    (tmp_path / "sitess.csv").write_text("site_id\nA\n")
    (tmp_path / "visits.parquet").write_text("no")
    (tmp_path / "empty").mkdir()
    with pytest.raises(IntakeError, match=message):
        read_tables([tmp_path / name])
