"""Lives that cannot be are refused with their row, and covariates are coded the same way every time."""

import numpy as np
import polars as pl
import pytest

from fleetstats.errors import FleetstatsError, LifeError
from fleetstats.life import Lifetimes, fit_life

INF = np.inf


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lower": [10, np.nan, 30]}, "row 1 .*missing"),
        ({"lower": [10, -1, 30]}, "row 1 .*lower that is below 0"),
        ({"lower": [10, 0, 30], "upper": [10, INF, INF]}, "row 1 .*says nothing"),
        ({"lower": [0, 20, 30], "upper": [0, 20, INF]}, "row 0 .*end at age 0"),
        ({"lower": [10, 25, 30], "upper": [10, 20, INF]}, "row 1 .*lower above upper"),
        ({"entry": [0, 20, 0]}, "row 1 .*at or before entry"),
        ({"entry": [0, -1, 0]}, "row 1 .*entry below 0"),
        ({"weight": [1, 1, 0]}, "row 2 .*weight that is not above 0"),
        ({"weight": [1, np.nan, 1]}, "row 1 .*weight"),
        ({"weight": [1, 1]}, "weight: 2 values found for 3 lives"),
        ({"upper": [10, 20]}, "upper: 2 values found for 3 lives"),
        ({"site": ["a", None, "b"]}, "row 1 .*no site"),
        ({"site": ["a"]}, "site: 1 values found for 3 lives"),
        ({"lower": ["long", 20, 30]}, "lower: found something that is not a number"),
        ({"lower": [], "upper": []}, "at least one"),
        ({"covariates": pl.DataFrame({"use": [1.0]})}, "covariates: 1 rows found for 3 lives"),
        ({"covariates": pl.DataFrame({"use": [1.0, INF, 2.0]})}, "row 1 of column 'use' is inf"),
        (
            {
                "covariates": pl.DataFrame(
                    {"on": pl.date_range(pl.date(2024, 1, 1), pl.date(2024, 1, 3), eager=True)}
                )
            },
            "'on'",
        ),
    ],
)
def test_refused_with_a_reason(change, words):
    columns = {"lower": [10, 20, 30], "upper": [10, 20, INF], **change}
    with pytest.raises(LifeError, match=words) as caught:
        Lifetimes(**columns)
    assert isinstance(caught.value, FleetstatsError)
    assert isinstance(caught.value, ValueError)
    assert "accepted" in str(caught.value) or "give" in str(caught.value)


def test_lower_is_raised_to_entry():
    lives = Lifetimes([0, 20, 90], [50, 80, INF], entry=[10, 30, 95])
    assert lives.lower.tolist() == [10, 30, 95]
    assert not lives.left_censored.any()


def test_arrays_are_read_only_and_the_type_frozen():
    lives = Lifetimes([10], [10])
    with pytest.raises(ValueError, match="read-only"):
        lives.lower[0] = 5
    with pytest.raises(AttributeError):
        lives.lower = np.zeros(1)


def test_the_callers_arrays_stay_writable():
    days = np.array([10.0, 20.0])
    Lifetimes(days, days)
    days[0] = 5


def test_kinds_and_failures():
    lives = Lifetimes([10, 20, 0, 5], [10, INF, 30, 15], weight=[1, 2, 3, 4])
    assert lives.exact.tolist() == [True, False, False, False]
    assert lives.right_censored.tolist() == [False, True, False, False]
    assert lives.left_censored.tolist() == [False, False, True, False]
    assert lives.failures == 8
    assert len(lives) == 4


@pytest.mark.parametrize("ids", [["b", "a", "b"], [2, 1, 2], [("b", 1), ("a", 1), ("b", 1)], [1, "a", 1]])
def test_sites_of_any_type(ids):
    lives = Lifetimes([10, 20, 30], [10, 20, 30], site=ids)
    assert [lives.site_ids[k] for k in lives.site_code] == ids
    assert set(fit_life(lives).site_effects["site"].to_list()) == set(ids)


FRAME = pl.DataFrame(
    {
        "use": [1.0, None, 3.0, 4.0],
        "tank": ["poly", "concrete", None, "poly"],
        "flush": [True, False, True, None],
        "hours": [1, 2, 3, 4],
    }
)


def test_terms_and_design():
    lives = Lifetimes([10, 20, 30, 40], [10, 20, 30, 40], covariates=FRAME)
    assert lives.coding.terms() == (
        "use", "use[unknown]", "tank[poly]", "tank[unknown]", "flush[true]", "flush[unknown]", "hours",
    )  # fmt: skip
    mean = (1 + 3 + 4) / 3
    assert lives.design.tolist() == [
        [1, 0, 1, 0, 1, 0, 1],
        [mean, 1, 0, 0, 0, 0, 2],
        [3, 0, 0, 1, 1, 0, 3],
        [4, 0, 1, 0, 0, 1, 4],
    ]
    assert lives.coding.is_number() == (True, False, False, False, False, False, True)


def test_later_rows_are_coded_as_the_first():
    lives = Lifetimes([10, 20, 30, 40], [10, 20, 30, 40], covariates=FRAME)
    later = pl.DataFrame({"hours": [7], "flush": [False], "tank": ["steel"], "use": [2.0], "more": ["x"]})
    # `steel` was never seen; there were unknown tanks, and it is one of them
    assert lives.coding.code(later).tolist() == [[2, 0, 0, 1, 0, 0, 7]]


def test_a_level_never_seen_is_the_fleets_average_where_none_was_unknown():
    tank = pl.DataFrame({"tank": ["concrete", "poly", "poly", "steel"]})
    lives = Lifetimes([10, 20, 30, 40], [10, 20, 30, 40], covariates=tank, weight=[1, 1, 1, 5])
    assert lives.coding.code(pl.DataFrame({"tank": ["clay"]})).tolist() == [[2 / 8, 5 / 8]]


def test_a_column_that_is_missing_later_is_named():
    lives = Lifetimes([10, 20], [10, 20], covariates=pl.DataFrame({"tank": ["a", "b"]}))
    with pytest.raises(LifeError, match="column 'tank' is missing"):
        lives.coding.code(pl.DataFrame({"roof": ["a"]}))


def test_a_number_that_is_text_later_is_named():
    lives = Lifetimes([10, 20], [10, 20], covariates=pl.DataFrame({"use": [1.0, 2.0]}))
    with pytest.raises(LifeError, match="column 'use' was numbers"):
        lives.coding.code(pl.DataFrame({"use": ["much"]}))


def test_weighted_means_stand_in_for_missing_numbers():
    lives = Lifetimes(
        [10, 20, 30], [10, 20, 30], covariates=pl.DataFrame({"use": [1.0, 4.0, None]}), weight=[2, 1, 1]
    )
    assert lives.design[2].tolist() == [2.0, 1.0]
