"""The page on trust: why a chance beside two counts is not the one over the other."""

from __future__ import annotations

import polars as pl

from fleetstats.pipeline.looking_back import tenths
from fleetstats.report import Results
from fleetstats.report.pages.trust import trust_page
from fleetstats.report.tables import csv_text
from tests.report_fixture import AS_OF, display


def page_of(*groups: tuple[int, float, int]) -> Results:
    """Results with the given groups: fittings, spent as foretold, spent."""
    units, expected, failures = zip(*groups, strict=True)
    kept = pl.DataFrame(
        {
            "component": "sediment_cartridge",
            "horizon_days": 91,
            "group": list(range(len(groups))),
            "units": units,
            "expected": expected,
            "failures": failures,
        }
    )
    return Results(AS_OF, display()).replaced(calibration_tenths=tenths(kept))


def test_a_chance_is_told_beside_what_it_is_worked_out_from() -> None:
    page = trust_page(page_of((20, 0.4, 0), (18, 13.2, 15)))
    names = [column.name for column in page.groups.columns]
    rows = [dict(zip(names, (cell.shown for cell in row), strict=True)) for row in page.groups.rows]
    assert [row["expected"] for row in rows] == ["0.4", "13.2"]
    assert [row["spent"] for row in rows] == ["0", "15"]
    # by hand: 1 - exp(-15/18) = 0.565, 1 - exp(-13.2/18) = 0.520
    assert rows[1]["happened"].startswith("0.57 (")
    assert rows[1]["said"] == "0.52"
    assert page.groups_told.endswith("So 15 spent among 18 fittings are a chance of 0.57, not 0.83.")


def test_none_spent_is_nothing_without_a_minus() -> None:
    page = trust_page(page_of((20, 0.4, 0)))
    assert page.groups.rows[0][-1].shown.startswith("0.00 (0.00 to ")
    assert "-0" not in csv_text(page.groups)
    assert "So " not in page.groups_told


def test_without_a_trial_on_the_past_there_is_no_example() -> None:
    assert trust_page(Results(AS_OF, display())).groups.rows == ()


def opinions(*opinion: str) -> Results:
    kept = pl.DataFrame(
        {
            "component": ["uv_lamp", "carbon_cartridge", "quartz_sleeve"][: len(opinion)],
            "family": "weibull",
            "opinion": opinion,
            "median_days_library": [None if word == "no opinion" else 540.2 for word in opinion],
            "median_difference": [None if word == "no opinion" else -0.0123 for word in opinion],
            "reason": ["nothing has failed" if word == "no opinion" else "" for word in opinion],
        }
    )
    return Results(AS_OF, display(), second_opinion=kept)


def test_the_second_opinion_is_one_sentence_and_a_table() -> None:
    page = trust_page(opinions("agrees", "differs", "no opinion"))
    assert page.opinion_told == (
        "An independent library, lifelines, agrees with 1 of 2 fits; 1 more without an answer from these records alone."
    )
    shown = [[cell.shown for cell in row] for row in page.opinion.rows]
    assert shown[1][0] == "Carbon cartridge"
    assert shown[1][4:] == ["540", "1.23 %", "", "differs"]
    assert shown[2][4:] == [""] * 3 + ["no opinion: nothing has failed"]


def test_a_second_opinion_not_asked_for_says_how_to_ask() -> None:
    page = trust_page(Results(AS_OF, display()))
    assert page.opinion_told == ""
    assert "fleetstats replay" in page.opinion.empty
