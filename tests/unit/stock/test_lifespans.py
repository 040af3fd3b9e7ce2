"""Random lives, fresh and given an age, against the families' own survival curves."""

from __future__ import annotations

import numpy as np
import pytest

from fleetstats.life.draws import LifeDraws
from fleetstats.life.families import FAMILIES
from fleetstats.stock.lifespans import FAMILY_NAMES, lifespans


def lives_of(family: str, draws: int = 1) -> LifeDraws:
    location = np.full((1, draws), 5.0)
    return LifeDraws((family,) * draws, location, np.full(draws, 0.4), np.zeros_like(location))


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("lasted", [0.0, 60.0, 200.0])
def test_lives_fall_as_their_family_says(family: str, lasted: float) -> None:
    drawn = lifespans(lives_of(family), np.array([0]), 1, [1])
    many = np.zeros(40_000, np.intp)
    life = drawn.given(many, many, np.full(many.size, lasted), np.random.default_rng(2))
    assert life.min() >= lasted

    def share_working(days: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore"):
            return np.exp(FAMILIES[family].log_sf((np.log(days) - 5.0) / 0.4))

    # Kolmogorov: the largest gap exceeds 1.95 / sqrt(n) once in a thousand.
    days = np.sort(life)
    expected = 1 - share_working(days) / share_working(np.array([lasted]))
    assert np.abs(expected - np.arange(1, days.size + 1) / days.size).max() < 1.95 / np.sqrt(days.size)


@pytest.mark.parametrize("family", FAMILIES)
def test_far_past_any_life_something_is_still_left(family: str) -> None:
    # Chances of getting there underflow; the time left is still drawn, and finite.
    drawn = lifespans(lives_of(family), np.array([0]), 1, [1])
    many = np.zeros(1_000, np.intp)
    life = drawn.given(many, many, np.full(many.size, 20_000.0), np.random.default_rng(2))
    assert np.isfinite(life).all()
    assert (life > 20_000.0).all()
    if family == "weibull":  # hazard there: 2.5 t^1.5 / eta^2.5; the mean of what is left is its inverse
        hazard = 2.5 * 20_000.0**1.5 / np.exp(5.0) ** 2.5
        assert (life - 20_000.0).mean() == pytest.approx(1 / hazard, rel=0.15)


def test_past_what_a_number_can_hold_the_end_is_at_once() -> None:
    location = np.full((1, 1), 5.0)
    lives = LifeDraws(("weibull",), location, np.array([0.005]), np.zeros_like(location))
    zero = np.zeros(4, np.intp)
    life = lifespans(lives, np.array([0]), 1, [0]).given(
        zero, zero, np.full(4, 20_000.0), np.random.default_rng(0)
    )
    np.testing.assert_allclose(life, 20_000.0)


@pytest.mark.parametrize("family", FAMILIES)
def test_lives_known_within_bounds_stay_there_and_fall_as_they_should(family: str) -> None:
    drawn = lifespans(lives_of(family), np.array([0]), 1, [1])
    many = np.zeros(40_000, np.intp)
    low, high = np.full(many.size, 90.0), np.full(many.size, 140.0)
    life = drawn.within(many, many, low, high, np.random.default_rng(2))
    assert life.min() > 90.0
    assert life.max() <= 140.0
    share = np.exp(FAMILIES[family].log_sf((np.log([90.0, 110.0, 140.0]) - 5.0) / 0.4))
    expected = (share[0] - share[1]) / (share[0] - share[2])
    assert (life <= 110.0).mean() == pytest.approx(expected, abs=4 * 0.5 / np.sqrt(many.size))
    exact = drawn.within(many[:3], many[:3], low[:3], low[:3], np.random.default_rng(2))
    assert exact.tolist() == [90.0] * 3


def test_every_draw_is_used_alike_and_meets_at_random() -> None:
    location = np.arange(10.0)[None, :]
    lives = LifeDraws(
        ("weibull",) * 4 + ("lognormal",) * 6, location, np.arange(1.0, 11.0), np.zeros_like(location)
    )
    drawn = lifespans(lives, np.array([0]), 500, [3])
    assert np.bincount(drawn.location[0].astype(int)).tolist() == [50] * 10
    np.testing.assert_array_equal(drawn.scale, drawn.location[0] + 1)
    assert [FAMILY_NAMES[k] for k in drawn.family] == [lives.family[int(d)] for d in drawn.location[0]]
    other = lifespans(lives, np.array([0]), 500, [4])
    assert abs(np.corrcoef(drawn.location[0], other.location[0])[0, 1]) < 0.15


def test_a_life_is_a_day_at_least() -> None:
    location = np.full((1, 1), -20.0)
    drawn = lifespans(
        LifeDraws(("weibull",), location, np.array([1.0]), np.zeros_like(location)), np.array([0]), 1, [0]
    )
    zero = np.zeros(5, np.intp)
    assert drawn.fresh(zero, zero, np.random.default_rng(0)).tolist() == [1.0] * 5
