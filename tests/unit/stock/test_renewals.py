"""What the renewal function accepts, and how its answers hang together."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import gamma

from fleetstats.errors import FleetstatsError, StockError
from fleetstats.stock import renewals


def weibull(t: np.ndarray) -> np.ndarray:
    return np.exp(-((t / 150.0) ** 2.5))


def test_shape_of_the_answer_follows_the_times() -> None:
    assert isinstance(renewals(weibull, 100.0), float)
    assert renewals(weibull, 0.0) == 0.0
    assert renewals(weibull, [0.0, 0.0]).tolist() == [0.0, 0.0]
    assert renewals(weibull, []).shape == (0,)


def test_order_and_company_of_times_do_not_matter() -> None:
    together = renewals(weibull, [900.0, 33.0, 365.0, 0.0])
    alone = [renewals(weibull, t) for t in (900.0, 33.0, 365.0, 0.0)]
    np.testing.assert_allclose(together, alone, atol=1e-7)


def test_in_the_long_run_one_renewal_per_mean_life() -> None:
    # Elementary renewal theorem with its second term: M(t) = t/mu + (s2 - mu^2) / (2 mu^2).
    mu = 150.0 * gamma(1 + 1 / 2.5)
    variance = 150.0**2 * gamma(1 + 2 / 2.5) - mu**2
    expected = 6000.0 / mu + (variance - mu**2) / (2 * mu**2)
    assert renewals(weibull, 6000.0) == pytest.approx(expected, abs=1e-6)


def test_early_failures_with_an_infinite_first_hazard() -> None:
    found = renewals(lambda t: np.exp(-np.sqrt(t)), np.array([0.01, 4.0]))
    rng = np.random.default_rng(3)
    arrivals = np.cumsum(rng.weibull(0.5, (100_000, 60)), axis=1)
    for value, time in zip(found, (0.01, 4.0), strict=True):
        counts = (arrivals <= time).sum(axis=1)
        assert abs(value - counts.mean()) < 4 * counts.std() / np.sqrt(counts.size)


@pytest.mark.parametrize("times", [[-1.0], [np.nan], [np.inf], [[1.0, 2.0]], "soon", None])
def test_impossible_times_are_refused(times: object) -> None:
    with pytest.raises(StockError, match="accepted"):
        renewals(weibull, times)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "survival",
    [
        lambda t: 0.5 * np.exp(-t),  # starts at one half
        lambda t: 1.0 + t,  # rises
        lambda t: 1.0 - t,  # falls below 0
        lambda t: np.full(t.shape, np.nan),
        lambda t: np.ones(3),  # wrong shape
        lambda t: (t < 1.0).astype(float),  # jumps
    ],
)
def test_what_is_no_survival_curve_is_refused(survival: object) -> None:
    with pytest.raises(StockError, match="accepted"):
        renewals(survival, [3.0])  # type: ignore[arg-type]


def test_the_error_is_of_the_family_and_a_value_error() -> None:
    with pytest.raises(ValueError, match="time 1 is -2") as caught:
        renewals(weibull, [1.0, -2.0])
    assert isinstance(caught.value, FleetstatsError)
