"""No text cell of a CSV file is taken for a formula; figures stay figures."""

import polars as pl
import pytest

from fleetstats.safe_csv import csv_text, guarded, guarded_frame


@pytest.mark.parametrize("cell", ["=1+1", "+cmd", "-cmd", "@x", "\tx", "\rx", "-2+3"])
def test_a_risky_cell_gets_an_apostrophe_in_every_way_of_writing(cell: str) -> None:
    assert guarded(cell) == f"'{cell}"
    assert guarded_frame(pl.DataFrame({"a": [cell, None]}))["a"].to_list() == [f"'{cell}", None]
    assert f"'{cell.strip()[:2]}" in csv_text(["a"], [[cell]]).replace("\t", "").replace("\r", "")


@pytest.mark.parametrize("cell", ["-5", "+3,4", "-1.5e-07", "", "plain"])
def test_figures_and_plain_words_stay_as_they_are(cell: str) -> None:
    assert guarded(cell) == cell
