"""Where records start and end, and how many fields they have, against the standard library's csv module."""

from __future__ import annotations

import csv
import io

import hypothesis.strategies as st
import pytest
from hypothesis import example, given

from fleetstats.intake.readers import records_of_text
from fleetstats.intake.readers.delimited import read_text
from fleetstats.intake.readers.records_of_text import TextRecords

FIELDS = st.text(st.sampled_from('ab ,;"\n\t'), max_size=5)


def written(rows: list[list[str]]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode()


@given(st.lists(st.lists(FIELDS, min_size=2, max_size=4), min_size=1, max_size=6), st.integers(1, 40))
@example([["a", 'b"'], ["c,", "\n,d"], ["e", "f"]], 3)
def test_records_are_those_of_the_csv_module(rows, piece):
    body = written(rows)
    with pytest.MonkeyPatch.context() as patch:  # pieces that end anywhere, within a field too
        patch.setattr(records_of_text, "_PIECE", piece)
        found = TextRecords.of(body, ",")
        bare = found.bare_fields(",")
    assert not found.open_quote
    texts = [next(csv.reader(io.StringIO(found.text(i), newline=""))) for i in range(len(found.starts))]
    assert texts == rows
    assert found.fields.tolist() == [len(row) for row in rows]
    lines, line = [], 1
    for row in rows:
        lines.append(line)
        line += written([row]).count(b"\n")
    assert found.lines.tolist() == lines
    if bare:
        assert all(field == field.strip() for row in rows for field in row if '"' not in field)


@pytest.mark.parametrize(
    ("body", "bare"),
    [
        ("a,b c\nd,e\n", True),
        ("a, b\n", False),
        ("a ,b\n", False),
        ("a,b \n", False),
        ("a,b \r\n", False),
        ('a," b"\n', False),
        (" a,b", False),
        ("a,b ", False),
        ("a,b\x0b\n", False),
        ("a,é\u00a0\n", False),
    ],
)
def test_white_space_round_a_field_is_seen(body, bare):
    assert TextRecords.of(body.encode(), ",").bare_fields(",") is bare


def test_a_tab_between_fields_is_no_white_space_round_them():
    assert TextRecords.of(b"a\tb\n", "\t").bare_fields("\t")
    assert not TextRecords.of(b"a\tb \n", "\t").bare_fields("\t")


@pytest.mark.parametrize("end", ["", "\n", "\n\n", "\r\n"])
@pytest.mark.parametrize(
    ("head", "header_row"),
    [("site_id,note\n", 1), ("Log of 2024\n\nsite_id,note\n", 3), ('"site\nid",note\n', 1)],
)
def test_rows_below_the_header_are_read_whole(head, header_row, end):
    grid = read_text(f'{head}A,"x\ny"\nB,z{end}'.encode(), "log.csv", header_row=header_row)
    first = head.count("\n") + 1
    assert grid.rows.rows() == [("A", "x\ny", first), ("B", "z", first + 2)]


def test_a_quotation_mark_never_closed_is_told():
    assert TextRecords.of(b'a,"b\nc,d\n', ",").open_quote
