"""Results are brought to shape on the way in; what no page reads does not get in."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.errors import StoreError
from fleetstats.report import Results
from fleetstats.settings import Settings


def test_a_column_that_cannot_be_read_is_refused() -> None:
    with pytest.raises(StoreError, match="'effects'"):
        Results(
            date(2026, 1, 1),
            Settings(components={}),
            effects=pl.DataFrame(
                {"component": ["c"], "term": ["t"], "time_ratio": ["much"], "low": [0.1], "high": [0.2]}
            ),
        )


def test_personal_columns_do_not_get_in() -> None:
    visits = pl.DataFrame(
        {
            "visit_id": ["v"],
            "site_id": ["s"],
            "visit_date": [date(2025, 1, 1)],
            "technician": ["Ann"],
            "notes": ["dog"],
        }
    )
    results = Results(date(2026, 1, 1), Settings(components={}), visits=visits)
    assert not {"technician", "notes"} & set(results.visits.columns)
    assert results.visits["visit_reason"].to_list() == [None]


def test_yes_and_no_come_as_words_or_as_flags() -> None:
    sites = pl.DataFrame({"site_id": ["a", "b", "c"], "first_flush": [True, False, None]})
    assert Results(date(2026, 1, 1), Settings(components={}), sites=sites).sites["first_flush"].to_list() == [
        "yes",
        "no",
        None,
    ]


def test_a_name_that_is_no_result_table_is_refused() -> None:
    with pytest.raises(TypeError, match="dues"):
        Results(date(2026, 1, 1), Settings(components={}), dues=pl.DataFrame())
    with pytest.raises(AttributeError, match="no result table 'dues'"):
        _ = Results(date(2026, 1, 1), Settings(components={})).dues
