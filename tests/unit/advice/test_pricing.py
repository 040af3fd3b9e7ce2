"""Rates averaged over draws: the matrix way against draw by draw, and what the average must not be."""

from __future__ import annotations

import numpy as np
import pytest

from fleetstats.advice import ComponentTerms, best_age
from fleetstats.advice.prices import ComponentPrices
from fleetstats.advice.pricing import Pricer
from fleetstats.life.draws import LifeDraws

WEEKS = np.arange(8, 53)


def some_lives(units: int = 12, draws: int = 90, seed: int = 3) -> LifeDraws:
    rng = np.random.default_rng(seed)
    family = tuple(sorted(rng.choice(["weibull", "lognormal", "loglogistic"], size=draws)))
    effect = rng.normal(0, 0.5, (units, 1)) + rng.normal(0, 0.2, (units, draws))
    return LifeDraws(family, np.log(240) + effect, 0.35 * np.exp(rng.normal(0, 0.2, draws)), effect)


def prices(lives: LifeDraws, **terms: object) -> ComponentPrices:
    kind = ComponentTerms("sediment_cartridge", **{"planned_cost": 45.0, **terms})  # type: ignore[arg-type]
    pricer = Pricer(lives, announced=kind.announced, most_visits=4, shortest_days=56, longest_days=364)
    return ComponentPrices(pricer, terms=kind, callout_cost=300, weeks=WEEKS, typical_rows=None)


@pytest.mark.parametrize("announced", [True, False])
def test_one_matrix_product_prices_what_the_draws_average_to(announced: bool) -> None:
    lives = some_lives()
    rows, oldest = np.arange(12), np.linspace(120, 500, 12)
    planned = np.linspace(20, 90, 12)
    room = prices(lives, announced=announced, hidden_day_cost=1.5)
    table = room.yearly(rows, planned_cost=planned, oldest_days=oldest)
    for week, n in ((8, 4), (16, 1), (23, 2), (40, 3), (52, 1)):
        drawn = room.yearly_draws(
            rows,
            planned_cost=planned,
            visit_days=np.full(12, 7.0 * week),
            every_n=np.full(12, n),
            oldest_days=oldest,
        ).cost.mean(axis=1)
        assert table[:, week - 8, n - 1] == pytest.approx(drawn, rel=0.006)


def test_the_shares_of_a_unit_add_up_to_one() -> None:
    lives = some_lives()
    pricer = Pricer(lives, announced=True, most_visits=4, shortest_days=56, longest_days=364)
    assert pricer.spread(np.arange(12)).sum(axis=1) == pytest.approx(np.ones(12), rel=1e-12)
    assert pricer.mean_spread(np.arange(12)) == pytest.approx(pricer.spread(np.arange(12)).mean(axis=0))


def test_the_chance_of_being_spent_is_that_of_the_draws() -> None:
    lives = some_lives()
    pricer = Pricer(lives, announced=True, most_visits=4, shortest_days=56, longest_days=364)
    days = np.linspace(60, 400, 12)
    exact = 1 - np.diag(lives.survival(days))
    assert pricer.spent_by_draws(np.arange(12), days).mean(axis=1) == pytest.approx(exact, rel=1e-9)
    by_nodes = np.diag(pricer.spread(np.arange(12)) @ pricer.node_spent_by(days))
    assert by_nodes == pytest.approx(exact, rel=0.02, abs=1e-3)


def test_longest_within_a_chance_is_the_last_whole_week_that_keeps_it() -> None:
    lives = some_lives()
    longest = prices(lives, failure_chance_limit=0.1).longest_within_chance(np.arange(12))
    survival = lives.survival(np.concatenate([longest, longest + 7]))
    at, after = np.diag(survival[:, :12]), np.diag(survival[:, 12:])
    assert np.all(at >= 0.9 - 2e-3)
    assert np.all(after <= 0.9 + 2e-3)
    assert np.all(np.isinf(prices(lives).longest_within_chance(np.arange(12))))


def test_more_draws_than_wanted_are_thinned_evenly() -> None:
    lives = some_lives(draws=200)
    few = Pricer(lives, announced=True, most_visits=1, shortest_days=56, longest_days=364, most_draws=40)
    assert few.draws == 40


def test_averaging_the_curve_instead_of_the_rate_would_never_renew() -> None:
    """Very different sites: their averaged curve looks as if units got better with age; no site's does."""
    rng = np.random.default_rng(11)
    scale = np.exp(np.log(250) + rng.normal(0, 1.3, 150))

    def lives(ages: np.ndarray) -> np.ndarray:
        return np.exp(-((ages / scale[:, None]) ** 3))

    planned, unplanned, ceiling = 45.0, 120.0, 3650.0
    by_rate = best_age(lives, planned, unplanned, ceiling)
    by_curve = best_age(lambda ages: lives(ages).mean(axis=0), planned, unplanned, ceiling)
    assert by_curve.age_days == ceiling
    assert by_rate.age_days < 400
    grid = np.linspace(20, 740, 73)
    plain = np.array([_mean_rate(scale, age, planned, unplanned) for age in grid])
    assert by_rate.cost_per_day == pytest.approx(plain.min(), rel=1e-3)
    assert abs(grid[plain.argmin()] - by_rate.age_days) < 12


def _mean_rate(scale: np.ndarray, age: float, planned: float, unplanned: float) -> float:
    """C(t) of each candidate life by a plain sum over days, then averaged."""
    step = age / 400
    middles = (np.arange(400) + 0.5) * step
    lived = np.exp(-((middles / scale[:, None]) ** 3)).sum(axis=1) * step
    share = np.exp(-((age / scale) ** 3))
    return float(((planned * share + unplanned * (1 - share)) / lived).mean())
