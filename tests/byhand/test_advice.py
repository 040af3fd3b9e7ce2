"""Advice small enough to check by hand: answers as fractions and closed forms."""

from __future__ import annotations

import math
from datetime import date
from fractions import Fraction

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import ComponentTerms, VisitTerms, age_cost, hidden_cost, plan_visits
from fleetstats.advice.rates import rate_table
from fleetstats.advice.visit_rule import OVERRUNS
from fleetstats.life.draws import LifeDraws

HALF_LIFE_RHO = math.log(math.log(2))  # an exponential life whose median is the visit interval


def uniform_to_ten(ages: np.ndarray) -> np.ndarray:
    return np.clip(1 - ages / 10, 0, 1)


def test_cost_of_a_uniform_life() -> None:
    # S(4) = 3/5, integral of S to 4 = 4 - 16/20 = 16/5: (3 * 3/5 + 9 * 2/5) / (16/5)
    assert age_cost(uniform_to_ten, 4, 3, 9) == pytest.approx(float(Fraction(27, 16)), rel=1e-12)


def test_hidden_cost_of_a_uniform_life() -> None:
    # days unseen to 4 = 16/20 = 4/5: (3 + 5 * 4/5) / 4
    assert hidden_cost(uniform_to_ten, 4, 3, 5) == pytest.approx(float(Fraction(7, 4)), rel=1e-12)


def test_the_rate_is_averaged_over_candidate_lives_not_the_survival() -> None:
    # two equally likely uniform lives, to 10 and to 20; renewed at 5 for 1, spent for 4
    # to 10: S = 1/2, lived 15/4: (1/2 + 2) / (15/4) = 2/3
    # to 20: S = 3/4, lived 35/8: (3/4 + 1) / (35/8) = 2/5
    def lives(ages: np.ndarray) -> np.ndarray:
        return np.stack([1 - ages / 10, 1 - ages / 20])

    averaged = Fraction(1, 2) * (Fraction(2, 3) + Fraction(2, 5))
    assert age_cost(lives, 5, 1, 4) == pytest.approx(float(averaged), rel=1e-12)
    # the average of the two curves would give (5/8 + 4 * 3/8) / (65/16) = 34/65 instead of 8/15
    assert averaged == Fraction(8, 15)
    assert age_cost(lambda ages: lives(ages).mean(axis=0), 5, 1, 4) == pytest.approx(34 / 65, rel=1e-12)


@pytest.fixture(scope="module")
def memoryless() -> dict[bool, tuple[np.ndarray, np.ndarray]]:
    """Spent and renewed per visit interval of the half-life unit, (overruns, n), announced and hidden."""
    tables = {
        announced: rate_table(
            "exponential",
            announced=announced,
            most_visits=4,
            rhos=np.array([HALF_LIFE_RHO]),
            sigmas=np.array([1.0]),
        )
        for announced in (True, False)
    }
    return {kind: (table.spent[..., 0, 0], table.renewed[..., 0, 0]) for kind, table in tables.items()}


def test_a_life_without_memory_is_spent_as_often_whatever_the_rule(memoryless: dict) -> None:
    spent, _ = memoryless[True]
    assert spent == pytest.approx(np.full(spent.shape, math.log(2)), rel=2e-4)


def test_every_visit_renews_where_the_hard_limit_is_the_visit_interval(memoryless: dict) -> None:
    _, renewed = memoryless[True]
    assert renewed[0, 0] == pytest.approx(1.0, rel=2e-4)


def test_a_call_out_in_the_last_half_interval_lets_the_unit_stay(memoryless: dict) -> None:
    # n = 1 without a hard limit: renewed unless spent within the last half interval, chance 2^(-1/2)
    _, renewed = memoryless[True]
    assert renewed[-1, 0] == pytest.approx(math.sqrt(0.5), rel=1e-3)


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_hidden_units_are_renewed_when_seen_spent_or_at_the_nth_visit(memoryless: dict, n: int) -> None:
    # working at the j-th look with chance 2^-j: a unit stays 1 + 1/2 + ... visit intervals
    cycle = sum(Fraction(1, 2**j) for j in range(n))
    working = (1 - Fraction(1, 2**n)) / 1  # times 1 / ln 2
    unseen, renewed = memoryless[False]
    assert renewed[0, n - 1] == pytest.approx(float(1 / cycle), rel=1e-12)
    assert unseen[0, n - 1] == pytest.approx(1 - float(working) / math.log(2) / float(cycle), rel=1e-6)


def test_overruns_end_at_half_a_visit_interval() -> None:
    assert OVERRUNS[0] == 0
    assert OVERRUNS[-1] == 0.5


def test_a_unit_that_all_but_never_fails_costs_trips_and_parts_alone() -> None:
    """One site, one component, ceiling 364 days: 52 weeks, 365.25/364 x (120 + 45) a year."""
    lives = LifeDraws(("weibull",) * 3, np.full((1, 3), math.log(1e5)), np.full(3, 0.1), np.zeros((1, 3)))
    kind = ComponentTerms("sediment_cartridge", planned_cost=45, ceiling_days=364, current_interval_days=182)
    found = plan_visits(
        sites=pl.DataFrame({"site_id": ["A"]}),
        units=pl.DataFrame(
            {"site_id": ["A"], "component": [kind.name], "life_row": [0], "spells": [40], "failures": [30]}
        ),
        lives={kind.name: lives},
        components={kind.name: kind},
        terms=VisitTerms(120, 300, 182, beyond_records=0),
        as_of=date(2025, 1, 1),
        months_seen=24,
    )
    plan = found.plans.row(0, named=True)
    assert plan["visit_interval_days"] == 364
    assert plan["cost_per_year"] == pytest.approx(365.25 / 364 * 165, rel=1e-6)
    assert plan["cost_per_year_current"] == pytest.approx(365.25 / 182 * 165, rel=1e-6)
    assert found.intervals["limited_by"].to_list() == ["ceiling"]
