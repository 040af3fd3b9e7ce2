"""Results are brought to shape on the way in, or refused with a message that helps."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.errors import ReportError
from fleetstats.report import Results
from fleetstats.settings import Settings


def test_a_missing_column_is_named_with_what_was_found() -> None:
    with pytest.raises(ReportError, match=r"'due': column 'visit_by' is missing; found site_id, component"):
        Results(
            date(2026, 1, 1),
            Settings(components={}),
            due=pl.DataFrame({"site_id": ["a"], "component": ["uv_lamp"]}),
        )


def test_a_column_that_cannot_be_read_is_refused() -> None:
    with pytest.raises(ReportError, match="'effects'"):
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


def test_a_long_life_curve_is_gathered_by_unit() -> None:
    long = pl.DataFrame(
        {
            "site_id": ["b", "b", "a", "a"],
            "component": ["c"] * 4,
            "slot": [None] * 4,
            "days": [7.0, 0.0, 0.0, 7.0],
            "survival": [0.5, 1.0, 1.0, 0.25],
        }
    )
    curves = Results(date(2026, 1, 1), Settings(components={}), life_curves=long).life_curves
    assert curves.sort("site_id")["survival"].to_list() == [[1.0, 0.25], [1.0, 0.5]]
    assert curves["slot"].to_list() == ["", ""]


def test_yes_and_no_come_as_words_or_as_flags() -> None:
    sites = pl.DataFrame({"site_id": ["a", "b", "c"], "first_flush": [True, False, None]})
    assert Results(date(2026, 1, 1), Settings(components={}), sites=sites).sites["first_flush"].to_list() == [
        "yes",
        "no",
        None,
    ]
