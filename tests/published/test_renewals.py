"""The renewal function against published tables and exact answers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import gamma, ndtr

from fleetstats.stock import renewals


@pytest.mark.parametrize(
    ("time", "count"),
    # Weibull life, eta = 1, shape 2: computed two ways, to the digits given.
    [(0.5, 0.23079389), (1.0, 0.75369128), (2.0, 1.89403935), (4.0, 4.15013453)],
)
def test_weibull_of_shape_two(time: float, count: float) -> None:
    assert renewals(lambda t: np.exp(-(t**2)), time) == pytest.approx(count, abs=5e-9)


# Tijms 2003, A First Course in Stochastic Models, Table 8.1.1: Weibull lives of mean 1 and squared
# coefficient of variation 0.25 (read; last digit printed).
TIJMS = {0.2: (0.0261, 4), 0.4: (0.1087, 4), 0.6: (0.2422, 4), 1.0: (0.6091, 4), 2.0: (1.627, 3)}


@pytest.mark.parametrize("time", TIJMS)
def test_table_of_tijms(time: float) -> None:
    def squared_variation(shape: float) -> float:
        return float(gamma(1 + 2 / shape) / gamma(1 + 1 / shape) ** 2 - 1 - 0.25)

    shape = brentq(squared_variation, 1.1, 5.0)
    eta = 1 / gamma(1 + 1 / shape)
    count, digits = TIJMS[time]
    found = renewals(lambda t: np.exp(-((t / eta) ** shape)), time)
    assert found == pytest.approx(count, abs=0.5 * 10**-digits)


def test_a_life_without_ageing_is_renewed_at_a_steady_rate() -> None:
    times = np.array([0.0, 3.0, 17.5, 400.0])  # exact: M(t) = t / eta
    np.testing.assert_allclose(renewals(lambda t: np.exp(-t / 20.0), times), times / 20.0, atol=1e-8)


def test_a_uniform_life() -> None:
    times = np.linspace(0.0, 1.0, 7)  # exact: M(t) = exp(t) - 1 up to t = 1
    np.testing.assert_allclose(renewals(lambda t: 1 - np.clip(t, 0, 1), times), np.expm1(times), atol=1e-9)


def test_two_stage_life() -> None:
    # Two exponential stages of rate 2; exact, by Laplace transform: M(t) = t - (1 - exp(-4 t)) / 4.
    times = np.array([0.1, 0.5, 1.0, 5.0])
    found = renewals(lambda t: np.exp(-2 * t) * (1 + 2 * t), times)
    np.testing.assert_allclose(found, times - (1 - np.exp(-4 * times)) / 4, atol=1e-9)


def test_lognormal_lives_by_adding_up_the_sums_of_lives() -> None:
    # M(t) = sum over n of P(T1 + ... + Tn <= t); by simulation, four standard errors.
    rng = np.random.default_rng(11)
    arrivals = np.cumsum(np.exp(rng.normal(5.0, 0.5, (200_000, 12))), axis=1)
    counts = (arrivals <= 500.0).sum(axis=1)
    with np.errstate(divide="ignore"):
        found = renewals(lambda t: 1 - ndtr((np.log(t) - 5.0) / 0.5), 500.0)
    error = counts.std() / np.sqrt(counts.size)
    assert abs(found - counts.mean()) < 4 * error
