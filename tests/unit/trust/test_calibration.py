"""Calibration tells a true forecast from a false one; exact ranges against tables and a reference library."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from scipy.stats import binomtest, poisson

from fleetstats.errors import FleetstatsError, TrustError
from fleetstats.trust import calibration
from fleetstats.trust.calibration import (
    binomial_range,
    count_range,
    expected_events,
    followed_calibration,
    foretold_range,
)


@pytest.mark.parametrize(("events", "trials"), [(0, 10), (1, 10), (7, 10), (10, 10), (3, 400), (1, 1)])
def test_exact_range_of_a_share(events: int, trials: int) -> None:
    # Reference: scipy.stats.binomtest, method "exact" (Clopper & Pearson 1934).
    for level in (0.90, 0.95):
        reference = binomtest(events, trials).proportion_ci(level, method="exact")
        low, high = binomial_range(events, trials, level)
        assert (float(low), float(high)) == pytest.approx((reference.low, reference.high), abs=1e-12)


@pytest.mark.parametrize(
    ("events", "low", "high"),
    # 95 % limits of a Poisson mean, Garwood 1936 (memory; recomputed).
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390), (100, 81.364, 121.627)],
)
def test_exact_range_of_a_count(events: int, low: float, high: float) -> None:
    found = count_range(events, 0.95)
    assert (float(found[0]), float(found[1])) == pytest.approx((low, high), abs=5.1e-4)


def test_a_true_forecast_agrees_and_a_false_one_does_not() -> None:
    rng = np.random.default_rng(2)
    chance = rng.beta(1.5, 4.0, 6_000)
    happened = rng.random(chance.size) < chance
    true, too_sure = calibration(chance, happened), calibration(chance**2, happened)
    assert true["agrees"].sum() >= 8
    assert too_sure["agrees"].sum() <= 2
    assert true["units"].to_list() == [600] * 10
    assert true["predicted"].is_sorted()
    assert true["events"].sum() == happened.sum()


def test_groups_by_hand() -> None:
    # Ordered by chance: (.1, no) (.2, yes) | (.6, yes) (.8, yes).
    found = calibration([0.6, 0.1, 0.8, 0.2], [True, False, True, True], groups=2)
    assert found["predicted"].to_list() == pytest.approx([0.15, 0.7])
    assert found["observed"].to_list() == [0.5, 1.0]
    assert found["predicted_low"].to_list() == [0.1, 0.6]
    # Exact 90 % range of 2 in 2: from sqrt(0.05); of 1 in 2: from 1 - sqrt(0.95).
    assert found["low"].to_list() == pytest.approx([1 - math.sqrt(0.95), math.sqrt(0.05)])
    assert found["agrees"].to_list() == [True, True]


@pytest.mark.parametrize(
    ("chance", "outcome", "told"),
    [
        ([0.2, 0.3], [True], "2,"),
        ([1.2], [True], "chance 0 is 1.2"),
        ([0.1, math.nan], [True, False], "chance 1"),
    ],
)
def test_what_does_not_belong_together_is_refused(
    chance: list[float], outcome: list[bool], told: str
) -> None:
    with pytest.raises(TrustError, match=re.escape(told)) as caught:
        calibration(chance, outcome)
    assert isinstance(caught.value, FleetstatsError)
    assert isinstance(caught.value, ValueError)


def test_hazard_used_up_on_average_within_an_interval() -> None:
    # Of lives with unit hazard that end between a and b, the mean end; by simulation, four standard errors.
    ends = np.random.default_rng(1).exponential(size=400_000)
    for a, b in ((0.0, 0.3), (0.5, 2.0), (1.0, 1.0 + 1e-3)):
        inside = ends[(ends > a) & (ends <= b)]
        found = expected_events(np.array([a]), np.array([b]))[0]
        assert abs(found - inside.mean()) < 4 * inside.std() / math.sqrt(inside.size)
    exact = expected_events(np.array([0.7, 0.2, 0.3]), np.array([0.7, np.inf, 0.3 + 1e-12]))
    np.testing.assert_allclose(exact, [0.7, 0.2, 0.3], atol=1e-11)
    assert expected_events(np.array([1.0]), np.array([5_000.0]))[0] == pytest.approx(2.0)


def test_expected_and_seen_agree_whatever_ends_the_follow_up() -> None:
    # Lives of unit hazard, looked at on a grid, withdrawn at a time of their own: the sums agree.
    rng = np.random.default_rng(6)
    life, withdrawn = rng.exponential(size=50_000), rng.choice([0.4, 0.8, 2.4], 50_000)
    upper = np.ceil(life / 0.4) * 0.4
    failed = upper <= withdrawn + 1e-9
    expected = expected_events(np.where(failed, upper - 0.4, withdrawn), np.where(failed, upper, np.inf))
    assert abs(expected.sum() - failed.sum()) < 4 * math.sqrt(failed.sum())


def test_range_foretold_of_one_mean_is_the_poisson_range() -> None:
    for mean in (0.4, 7.3, 60.0):
        expected = np.full(400, mean / 400)
        for by_draw in (np.tile(expected[:, None], 5), np.zeros((400, 5))):
            found = foretold_range(expected, by_draw)
            assert found == (int(poisson.ppf(0.05, mean)), int(poisson.ppf(0.95, mean)))


def test_draws_widen_the_range_foretold_and_do_not_move_it() -> None:
    expected = np.full(400, 0.1)
    draws = np.tile([0.04, 0.36], (400, 1))  # means 16 and 144, brought to 8 and 72
    low, high = foretold_range(expected, draws)
    assert (low, high) == pytest.approx(
        # half the chance on each mean: 0.05 in all is 0.1 of the lower, 0.95 is 0.9 of the upper
        (poisson.ppf(0.1, 8.0), poisson.ppf(0.9, 72.0))
    )


def test_no_more_units_than_there_are_can_fail() -> None:
    assert foretold_range(np.full(12, 1e6), np.full((12, 2), 1e6)) == (12, 12)


def test_groups_of_followed_units_by_hand() -> None:
    expected = np.array([0.2, 1.0, 0.2, 1.0])
    by_draw = np.array([[0.1, 0.3], [1.0, 1.0], [0.2, 0.2], [0.9, 1.1]])
    found = followed_calibration(
        np.array([0.1, 0.7, 0.2, 0.8]), expected, by_draw, np.array([False, True, False, True]), groups=2
    )
    assert found["expected"].to_list() == pytest.approx([0.4, 2.0])
    assert found["failures"].to_list() == [0, 2]
    assert found["ratio"].to_list() == pytest.approx([0.0, 1.0])
    assert found["ratio_high"][0] == pytest.approx(-math.log(0.05) / 0.4)
    assert found["agrees"].to_list() == [True, True]
