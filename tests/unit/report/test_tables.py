"""Tables: what is shown, what a spreadsheet gets, what the page's script gets."""

from __future__ import annotations

import csv
import io
import json

import pytest

from fleetstats.report import tables
from fleetstats.report.tables import Column, Table


def table_of(*rows: tuple[tables.Cell, ...]) -> Table:
    columns = (Column("site", "Site"), Column("cost", "Cost", True))
    return Table("t", "T", columns, rows, "none", "data/t.csv")


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_text_cells_that_a_spreadsheet_would_run_get_an_apostrophe(start: str) -> None:
    made = table_of((tables.text(f"{start}cmd"), tables.number("12", 12.0)))
    rows = list(csv.reader(io.StringIO(tables.csv_text(made), newline="")))
    assert rows[1][0] == f"'{start}cmd"


def test_number_columns_stay_numbers_and_negative_ones_too() -> None:
    made = table_of(
        (tables.text("a"), tables.number("−1,200", -1234.5)),
        (tables.text("b"), tables.number("not known", None)),
    )
    assert tables.csv_text(made) == "site,cost\r\na,-1234.5\r\nb,\r\n"


def test_only_the_first_rows_are_html_and_the_rest_is_data() -> None:
    made = table_of(*((tables.text(f"s{i}"), tables.number(f"{i}", i)) for i in range(53)))
    assert len(made.first_rows) == tables.ROWS_IN_PAGE
    assert json.loads(made.rest) == [[f"s{i}", [f"{i}", float(i)]] for i in range(50, 53)]


def test_data_inside_a_page_cannot_end_its_script_block() -> None:
    packed = tables.html_json(["</script><script>alert(1)</script>", "a & b", "\u2028"])
    assert not set("<>&\u2028") & set(packed)
    assert json.loads(packed)[0].startswith("</script>")
