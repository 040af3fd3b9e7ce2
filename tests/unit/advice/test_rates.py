"""The tabulated rates against a plain day-by-day simulation of the visit rule."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from fleetstats.advice.pricing import Pricer
from fleetstats.advice.rates import PHASES, _Lives, _next_birth, _visits_passed, rate_table
from fleetstats.advice.visit_rule import OVERRUNS
from fleetstats.life.draws import LifeDraws

VISITS = 60_000
NEVER = math.inf


def draw_life(family: str, median_log: float, sigma: float, seed: int) -> Callable[[], float]:
    """A source of lives in days: log T = location + sigma e."""
    rng = np.random.default_rng(seed)

    def errors() -> np.ndarray:
        if family == "weibull":
            return np.log(rng.exponential(size=10_000))
        return rng.normal(size=10_000) if family == "lognormal" else rng.logistic(size=10_000)

    stock: list[float] = []

    def life() -> float:
        if not stock:
            stock.extend(np.exp(median_log + sigma * errors()))
        return stock.pop()

    return life


def simulate_announced(
    life: Callable[[], float], visit: float, n: int, hard_limit: float
) -> tuple[float, float, float]:
    """Call-outs and planned renewals per visit, and the oldest age any unit reached."""
    callouts = planned = 0
    oldest = born = 0.0
    dies = life()
    for number in range(1, VISITS + 1):
        now = number * visit
        while dies < now:  # the household calls, and the spent unit is renewed there and then
            oldest = max(oldest, dies - born)
            callouts += 1
            born = dies
            dies = born + life()
        age_next = now - born + visit
        if age_next > n * visit + visit / 2 or age_next > hard_limit:
            oldest = max(oldest, now - born)
            planned += 1
            born, dies = now, now + life()
    return callouts / VISITS, planned / VISITS, oldest


def simulate_hidden(life: Callable[[], float], visit: float, n: int) -> tuple[float, float]:
    """Visit intervals spent unseen and renewals, per visit."""
    unseen = 0.0
    renewals = 0
    born, dies = 0.0, life()
    for number in range(1, VISITS + 1):
        now = number * visit
        unseen += max(0.0, now - max(dies, now - visit))
        if dies < now or now - born + visit > n * visit + visit / 2:
            renewals += 1
            born, dies = now, now + life()
    return unseen / visit / VISITS, renewals / VISITS


def tabulated(
    family: str, location: float, sigma: float, visit: float, n: int, limit: float, *, announced: bool
) -> tuple[float, float]:
    lives = LifeDraws((family,), np.array([[location]]), np.array([sigma]), np.zeros((1, 1)))
    pricer = Pricer(lives, announced=announced, most_visits=4, shortest_days=56, longest_days=364)
    overrun = np.array([min(max(limit / visit - n, 0.0), 0.5)])
    spent, renewed = pricer.draw_rates(np.array([0]), np.array([visit]), np.array([n]), overrun)
    return float(spent[0, 0]), float(renewed[0, 0])


CASES = [
    ("weibull", 200.0, 0.40, 182, 1, NEVER),
    ("weibull", 200.0, 0.30, 91, 2, NEVER),
    ("weibull", 60.0, 0.50, 364, 1, NEVER),
    ("lognormal", 250.0, 0.35, 112, 3, 347.0),  # the hard limit cuts the overrun short: 347 < 392
    ("loglogistic", 300.0, 0.25, 77, 4, 320.0),
    ("weibull", 420.0, 0.20, 161, 2, 347.0),
    ("lognormal", 150.0, 0.60, 161, 1, 164.0),
    ("weibull", 365.0, 1.00, 56, 4, NEVER),
]


@pytest.mark.parametrize(("family", "median", "sigma", "visit", "n", "limit"), CASES)
def test_call_outs_and_renewals_agree_with_the_simulated_rule(
    family: str, median: float, sigma: float, visit: float, n: int, limit: float
) -> None:
    location = math.log(median)
    life = draw_life(family, location, sigma, seed=n + visit)
    callouts, planned, oldest = simulate_announced(life, visit, n, limit)
    spent, renewed = tabulated(family, location, sigma, visit, n, limit, announced=True)
    cost, simulated = 345 * spent + 45 * renewed, 345 * callouts + 45 * planned
    assert cost == pytest.approx(simulated, rel=0.015)
    assert spent == pytest.approx(callouts, rel=0.03, abs=0.002)
    assert renewed == pytest.approx(planned, rel=0.015, abs=0.002)
    assert oldest <= min(limit, (n + 0.5) * visit)


@pytest.mark.parametrize(
    ("family", "median", "sigma", "visit", "n"),
    [
        ("weibull", 300.0, 0.40, 161, 1),
        ("lognormal", 200.0, 0.50, 56, 3),
        ("loglogistic", 120.0, 0.30, 91, 2),
        ("weibull", 40.0, 0.60, 364, 1),
        ("weibull", 365.0, 0.30, 84, 4),
    ],
)
def test_days_unseen_and_cleanings_agree_with_the_simulated_rule(
    family: str, median: float, sigma: float, visit: float, n: int
) -> None:
    location = math.log(median)
    unseen, renewals = simulate_hidden(draw_life(family, location, sigma, seed=n), visit, n)
    spent, renewed = tabulated(family, location, sigma, visit, n, NEVER, announced=False)
    assert 1.5 * visit * spent + 20 * renewed == pytest.approx(
        1.5 * visit * unseen + 20 * renewals, rel=0.015
    )
    assert spent == pytest.approx(unseen, rel=0.03, abs=1e-3)
    assert renewed == pytest.approx(renewals, rel=0.015)


def test_a_life_that_never_ends_is_never_spent_and_always_renewed() -> None:
    spent, renewed = tabulated("weibull", math.log(1e5), 0.2, 56, 2, NEVER, announced=True)
    assert spent < 1e-12
    assert renewed == pytest.approx(0.5, rel=1e-6)


def test_a_life_of_days_is_spent_as_often_as_its_mean_says() -> None:
    # Weibull of shape 2 and scale 5 days: mean 5 sqrt(pi)/2
    spent, renewed = tabulated("weibull", math.log(5), 0.5, 364, 1, NEVER, announced=True)
    assert spent + renewed == pytest.approx(364 / (5 * math.sqrt(math.pi) / 2), rel=0.01)


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_every_unit_is_either_spent_and_followed_or_renewed_at_a_visit(n: int) -> None:
    """The rows of the chain add up to 1 together with the chance of reaching the renewing visit."""
    lives = _Lives("lognormal", np.array([-1.0, 0.0, 0.7]), np.array([0.2, 0.6]), n + 1)
    for overrun in OVERRUNS:
        passed = _visits_passed(n, overrun)
        ages = np.append(2 * (np.arange(PHASES) + PHASES * passed) + 1, 2 * PHASES * n)
        leaving = _next_birth(lives, n, passed).sum(axis=-1) + lives.working[..., ages]
        assert leaving == pytest.approx(np.ones_like(leaving), rel=1e-12)


def test_lives_far_shorter_than_a_visit_interval_still_have_rates() -> None:
    # a life of a thousandth of the interval: a thousand are spent in each, none is renewed at a visit
    table = rate_table(
        "weibull", announced=True, most_visits=2, rhos=np.log([1000.0, 1001.0]), sigmas=np.array([0.05, 0.1])
    )
    assert np.isfinite(table.spent).all()
    assert (table.spent > 100).all()
