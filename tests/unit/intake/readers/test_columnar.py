"""Parquet and JSON Lines: typed values become text."""

from __future__ import annotations

import datetime as dt
import io

import polars as pl
import pytest

from fleetstats.errors import IntakeError
from fleetstats.intake.files import read_tables
from fleetstats.intake.readers.columnar import read_json_lines, read_parquet


def packed(frame):
    place = io.BytesIO()
    frame.write_parquet(place)
    return place.getvalue()


def test_parquet_gives_text_and_tells_what_it_leaves_out():
    frame = pl.DataFrame(
        {"site_id": ["A", "B"], "day": [dt.date(2024, 1, 2), None], "flow": [1.5, 2.0], "parts": [[1], [2]]}
    )
    grid = read_parquet(packed(frame), "log.parquet")
    assert grid.header == ("site_id", "day", "flow")
    assert grid.rows.rows() == [("A", "2024-01-02", "1.5", 1), ("B", None, "2.0", 2)]
    assert "parts" in grid.told[0]


@pytest.mark.parametrize("data", [b"", b"PAR1", b"text", packed(pl.DataFrame({"a": [1]}))[:-9]])
def test_what_is_no_parquet_is_refused(data):
    with pytest.raises(IntakeError, match=r"log\.parquet: is not a Parquet file"):
        read_parquet(data, "log.parquet")


def test_json_lines_take_their_header_from_every_line():
    body = b'{"site_id": "A", "flow": 12.5}\n\n{"note": "Caf\xc3\xa9", "site_id": "B", "met": true}\n'
    grid = read_json_lines(body, "log.jsonl")
    assert grid.header == ("site_id", "flow", "note", "met")
    assert grid.rows.rows() == [("A", "12.5", None, None, 1), ("B", None, "Café", "true", 3)]


def test_lines_that_are_no_objects_are_set_aside():
    grid = read_json_lines(b'{"site_id": "A"}\n[1, 2]\n{"site_id": \n', "log.jsonl")
    assert grid.rows.height == 1
    assert [(bad.line, bad.text) for bad in grid.misshapen] == [(2, "[1, 2]"), (3, '{"site_id": ')]


@pytest.mark.parametrize("data", [b"", b"\n", b"nothing\n"])
def test_json_lines_without_a_row_are_refused(data):
    with pytest.raises(IntakeError, match="holds no rows"):
        read_json_lines(data, "log.jsonl")


def test_every_kind_of_file_gives_the_same_table(tmp_path):
    (tmp_path / "sites.csv").write_text("site_id,occupants\nA,2\n")
    (tmp_path / "tsv").mkdir()
    (tmp_path / "tsv" / "sites.tsv").write_text("site_id\toccupants\nA\t2\n")
    (tmp_path / "jsonl").mkdir()
    (tmp_path / "jsonl" / "sites.jsonl").write_text('{"site_id": "A", "occupants": 2}\n')
    (tmp_path / "parquet").mkdir()
    pl.DataFrame({"site_id": ["A"], "occupants": [2]}).write_parquet(tmp_path / "parquet" / "sites.parquet")
    found = [
        read_tables([tmp_path / place])[0].rows.drop("line").rows()
        for place in ("sites.csv", "tsv/sites.tsv", "jsonl", "parquet")
    ]
    assert found == [[("A", "2")]] * 4
