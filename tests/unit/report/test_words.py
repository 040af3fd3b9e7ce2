"""Numbers, dates and ranges as readers see them."""

from __future__ import annotations

from datetime import date

import pytest

from fleetstats.report import labels, words
from fleetstats.report.names import file_stem


@pytest.mark.parametrize(
    ("days", "said"), [(182.0, "26 weeks"), (7.0, "1 week"), (2.0, "under a week"), (None, "not known")]
)
def test_days_are_said_in_weeks(days: float | None, said: str) -> None:
    assert words.weeks(days) == said


def test_a_range_of_weeks_names_both_ends_and_an_open_one_says_so() -> None:
    assert words.week_range(70.0, 112.0) == "10 to 16 weeks"
    assert words.week_range(70.0, float("inf")) == "10 weeks or more"
    assert words.week_range(None, None) == ""


@pytest.mark.parametrize(
    ("value", "said"),
    [(1138.0, "USD 1,100"), (47.0, "USD 45"), (0.4, "USD 0"), (-236.0, "−USD 240"), (None, "not known")],
)
def test_money_is_round(value: float | None, said: str) -> None:
    assert words.money(value, "USD") == said


@pytest.mark.parametrize("value", [-0.0, -0.0004, 0.0])
def test_what_rounds_to_nothing_has_no_minus_before_it(value: float) -> None:
    assert words.share(value) == "0.00"
    assert words.amount(value, value, value) == "0.0 (0.0 to 0.0)"
    assert words.share_range(value, 0.1) == "0.00 to 0.10"
    assert words.money(value) == words.money(10 * value) == "0"
    assert words.whole(value) == "0"
    assert words.share(-0.016) == "-0.02"


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.001, "under 1 in 200"),
        (0.01, "1 in 100"),
        (0.02, "1 in 50"),
        (0.05, "1 in 20"),
        (0.31, "3 in 10"),
        (0.95, "19 in 20"),
        (0.999, "nearly certain"),
        (None, "not known"),
    ],
)
def test_chances_are_said_as_people_say_them(value: float | None, said: str) -> None:
    assert words.chance(value) == said


def test_chances_never_grow_smaller_in_words_as_they_grow() -> None:
    def worth(text: str) -> float:
        if text.startswith("nearly"):
            return 1.0
        number, _, whole = text.removeprefix("under ").partition(" in ")
        return float(number) / float(whole) - (1e-9 if text.startswith("under") else 0.0)

    said = [worth(words.chance(step / 1000)) for step in range(1001)]
    assert said == sorted(said)
    assert all(abs(s - step / 1000) <= 0.051 for step, s in enumerate(said))


def test_days_of_the_calendar_do_not_depend_on_the_locale() -> None:
    assert words.day(date(2026, 3, 4), weekday=True) == "Wed 4 Mar 2026"


def test_an_effect_of_a_logarithm_is_told_for_twice_as_much() -> None:
    name, power = labels.term("log_daily_litres")
    assert name == "twice the daily water use"
    # exp(-1 * ln 2): life spent in litres halves when the use doubles
    assert 0.36787944117144233**power == pytest.approx(0.5)
    assert labels.term("tree_cover[heavy]") == ("heavy trees", 1.0)
    assert labels.term("tank_and_age[concrete under 4 years]")[0] == "concrete tank, under 4 years"
    assert labels.term("first_flush[unknown]")[0] == "first flush not known"


def test_file_names_are_harmless_and_tell_like_ids_apart() -> None:
    # SHA-256 of the empty text, FIPS 180-4 examples: e3b0c44298...
    assert file_stem("") == "e3b0c44298"
    stems = {file_stem(name) for name in ("A/1", "A 1", "a-1", "../a-1", "A_1")}
    assert len(stems) == 5
    assert all(stem.startswith("a-1-") and "/" not in stem and "." not in stem for stem in stems)
