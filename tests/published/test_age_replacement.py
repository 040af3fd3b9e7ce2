"""The best age and its cost against published and doubly computed values of the age-replacement model.

C(t) = [planned S(t) + unplanned (1 - S(t))] / integral of S from 0 to t: Barlow, R. and Hunter, L. (1960),
Optimum preventive maintenance policies, Operations Research 8, 90-100.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from fleetstats.advice import age_cost, best_age, best_hidden_age, hidden_cost

# Weibull, eta = 1, planned = 1: shape, unplanned, t*/eta, C* eta/planned; computed (two ways that agree)
WEIBULL = [
    (2, 2, 1.090797, 2.181594),
    (2, 5, 0.510655, 4.085242),
    (2, 10, 0.336451, 6.056121),
    (2, 20, 0.230427, 8.756218),
    (3, 2, 0.810342, 1.969963),
    (3, 5, 0.502610, 3.031397),
    (3, 10, 0.382456, 3.949350),
    (3, 20, 0.297770, 5.054033),
]
PRINTED = 5.1e-7  # six printed decimals


@pytest.mark.parametrize(("shape", "unplanned", "age", "cost"), WEIBULL)
def test_weibull_optimum(shape: int, unplanned: int, age: float, cost: float) -> None:
    def survival(ages: np.ndarray) -> np.ndarray:
        return np.exp(-(ages**shape))

    best = best_age(survival, 1.0, float(unplanned), 20.0)
    assert best.age_days == pytest.approx(age, abs=PRINTED)
    assert best.cost_per_day == pytest.approx(cost, abs=PRINTED)
    # at the optimum C* = (unplanned - planned) h(t*): same source
    hazard = shape * best.age_days ** (shape - 1)
    assert best.cost_per_day == pytest.approx((unplanned - 1) * hazard, rel=2e-6)
    for edge in (best.low_days, best.high_days):
        assert age_cost(survival, edge, 1.0, unplanned) == pytest.approx(1.02 * best.cost_per_day, rel=1e-5)


@pytest.mark.parametrize("eta", [1e-3, 200.0, 1e6])
def test_the_unit_of_time_does_not_matter(eta: float) -> None:
    best = best_age(lambda ages: np.exp(-((ages / eta) ** 2)), 45.0, 450.0, 20 * eta)
    assert best.age_days / eta == pytest.approx(0.336451, abs=PRINTED)
    assert best.cost_per_day * eta / 45 == pytest.approx(6.056121, abs=2e-6)


def uniform_to_40000(ages: np.ndarray) -> np.ndarray:
    return np.clip(1 - ages / 40_000, 0, 1)


def test_uniform_life_in_km() -> None:
    # Jardine, A. and Tsang, A., Maintenance, Replacement, and Reliability, ch. 2, problem 2: 100 against 200
    found = age_cost(uniform_to_40000, np.array([10_000, 20_000, 30_000]), 100, 200)
    assert found == pytest.approx([0.0142857, 0.01, 0.0093333], abs=5.1e-8)


def test_uniform_life_best_age() -> None:
    # own algebra: the slope of C vanishes where t^2 + 2 L t - 2 L^2 = 0, so t* = 40000 (sqrt 3 - 1)
    best = best_age(uniform_to_40000, 100, 200, 40_000)
    assert best.age_days == pytest.approx(40_000 * (math.sqrt(3) - 1), rel=1e-7)


@pytest.mark.parametrize("ceiling", [365.0, 3650.0, 365_000.0])
def test_a_life_without_ageing_is_never_renewed_before_the_ceiling(ceiling: float) -> None:
    # Barlow & Hunter 1960: an exponential life has no finite optimum
    best = best_age(lambda ages: np.exp(-ages / 300), 45, 345, ceiling)
    assert best.age_days == ceiling
    assert best.high_days == ceiling


def test_hidden_failures_of_a_uniform_life() -> None:
    # own algebra: C(t) = p/t + h t/(2 L), least at t = sqrt(2 L p / h) with C = sqrt(2 p h / L)
    life, planned, per_day = 400.0, 20.0, 1.5
    best = best_hidden_age(lambda ages: np.clip(1 - ages / life, 0, 1), planned, per_day, life)
    assert best.age_days == pytest.approx(math.sqrt(2 * life * planned / per_day), rel=1e-7)
    assert best.cost_per_day == pytest.approx(math.sqrt(2 * planned * per_day / life), rel=1e-12)
    # own algebra: C within 2 % where x + 1/x <= 2.04, x = t / t*
    ratio = 1.02 + math.sqrt(1.02**2 - 1)
    assert best.high_days == pytest.approx(best.age_days * ratio, rel=1e-5)
    assert best.low_days == pytest.approx(best.age_days / ratio, rel=1e-5)


def test_hidden_failures_that_cost_nothing_are_never_looked_for() -> None:
    def survival(ages: np.ndarray) -> np.ndarray:
        return np.exp(-((ages / 200) ** 2))

    assert best_hidden_age(survival, 20, 0.0, 182).age_days == 182
    assert hidden_cost(survival, 100.0, 20, 0.0) == pytest.approx(0.2)
