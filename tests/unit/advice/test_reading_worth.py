"""What reading pressures would be worth: nothing where a gauge tells nothing, and what trials of it give."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fleetstats.advice.reading_worth import Stage, drops_at_visits, reading_worth
from fleetstats.life.blocking import Blocking
from fleetstats.life.draws import LifeDraws

YEAR, CALLOUT, DRAWS = 365.25, 300.0, 200
GOOD = Blocking(100.0)


def stage(
    *,
    visit_days: float = 91.0,
    every_n: int = 2,
    sigma: float = 0.3,
    tau: float = 0.3,
    cost: float = 120.0,
    blocking: Blocking = GOOD,
    kept: bool = True,
    limit: float = np.inf,
    units: int = 1,
) -> Stage:
    """Return cartridges that last about 300 days at their site, which is known within `tau` in log days."""
    effect = tau * np.random.default_rng(1).standard_normal((units, DRAWS))
    family = ("weibull",) * DRAWS
    lives = LifeDraws(family, np.log(300.0) + effect, np.full(DRAWS, sigma), effect)
    ones = np.ones(units)
    return Stage(
        lives, visit_days * ones, every_n * np.ones(units, dtype=np.int64), cost * ones, limit * ones,
        blocking, kept,
    )  # fmt: skip


def worth(own: Stage) -> float:
    return float(reading_worth(own, callout_cost=CALLOUT).money.mean())


def lived_through(own: Stage, *, read: bool, lives: int = 400) -> np.ndarray:
    """Return cost, call-outs and renewals a year of invented cartridges, renewed by readings or by the plan.

    Everything is drawn one by one: ends of life, and what the gauge shows; the choice at a visit weighs a
    reading against the cartridges that have come that far.
    """
    stream = np.random.default_rng(7)
    days, n, blocking = float(own.visit_days[0]), int(own.every_n[0]), own.blocking
    draw = np.repeat(np.arange(DRAWS), lives)
    sigma, cost = own.lives.scale[draw], float(own.planned_cost[0])
    ends = np.exp(own.lives.location[0, draw] + sigma * np.log(stream.exponential(size=draw.size)))

    def by_draw(values: np.ndarray) -> np.ndarray:
        return values.reshape(DRAWS, lives).mean(axis=1)

    cycle = by_draw(np.minimum(ends, n * days))
    daily = (cost + CALLOUT * by_draw(ends < n * days)) / cycle
    out, called, there = np.full(ends.size, np.inf), np.zeros(ends.size, bool), np.ones(ends.size, bool)
    grid = np.linspace(np.log(0.5), np.log(3000), 300)
    for visit in range(1, n + 2):
        age = visit * days
        spent = there & (ends <= age)
        out[spent], called[spent], there = ends[spent], True, there & ~spent
        if visit == n + 1 or (visit == n and not read):
            out[there] = age
            break
        if not read:
            continue
        some = stream.choice(np.flatnonzero(there), 5000)
        until = max(n, visit + 1) * days
        more = CALLOUT * (ends[some] < until) - daily[draw[some]] * (np.minimum(ends[some], until) - age)
        unread = np.zeros(1, dtype=bool)
        fits = blocking.density(np.exp(grid)[:, None], blocking.drop(age / ends[some]), unread)
        renew = fits @ (more / cycle[draw[some]]) > 0
        drop = blocking.drop(np.minimum(age / ends, 1.0))
        shown = np.log(drop) + blocking.scale(drop, unread) * stream.standard_normal(ends.size)
        wild = stream.random(ends.size) < blocking.wild_share
        shown = np.where(wild, stream.uniform(np.log(0.5), np.log(3000), ends.size), shown)
        gone = there & (np.interp(shown, grid, renew) > 0.5)
        out[gone], there = age, there & ~gone
    each = by_draw(out)
    year = np.stack([(cost + CALLOUT * by_draw(called)) / each, by_draw(called) / each, 1 / each])
    return YEAR * year.mean(axis=1)


@pytest.mark.parametrize(
    ("visit_days", "every_n", "sigma", "tau", "cost"),
    [(91.0, 2, 0.3, 0.3, 120.0), (60.0, 3, 0.35, 0.5, 120.0), (120.0, 1, 0.5, 0.1, 50.0)],
)
def test_cartridges_lived_through_one_by_one_save_as_much(visit_days, every_n, sigma, tau, cost):
    own = stage(visit_days=visit_days, every_n=every_n, sigma=sigma, tau=tau, cost=cost)
    told = reading_worth(own, callout_cost=CALLOUT)
    saved = lived_through(own, read=False) - lived_through(own, read=True)
    assert saved[0] > 50
    assert told.money.mean() == pytest.approx(saved[0], rel=0.05)
    assert told.callouts.mean() == pytest.approx(saved[1], abs=0.04)
    assert told.renewals.mean() == pytest.approx(saved[2], abs=0.05)
    assert told.money == pytest.approx(CALLOUT * told.callouts + cost * told.renewals)


@pytest.mark.parametrize("every_n", [1, 2, 3])
def test_the_worse_a_gauge_the_less_it_is_worth_down_to_nothing(every_n):
    found = [
        worth(stage(every_n=every_n, blocking=replace(GOOD, spread=spread)))
        for spread in (0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 10.0)
    ]
    assert found[0] > 50
    assert np.all(np.diff(found) <= 1e-6)
    assert found[-1] == pytest.approx(0.0, abs=1e-6)
    assert found[2] < 0.95 * found[0]


def test_a_gauge_that_is_mostly_wild_is_worth_little():
    wild = [worth(stage(blocking=replace(GOOD, wild_share=share))) for share in (0.01, 0.3, 0.8, 1 - 1e-9)]
    assert wild == sorted(wild, reverse=True)
    assert wild[-1] == pytest.approx(0.0, abs=1e-3)


def test_where_lives_are_known_there_is_nothing_to_learn():
    found = [worth(stage(sigma=sigma, tau=0.0)) for sigma in (0.4, 0.2, 0.05, 0.005)]
    assert found == sorted(found, reverse=True)
    assert found[0] > 50
    assert found[-1] == pytest.approx(0.0, abs=1e-6)


def test_what_limits_forbid_a_gauge_cannot_give():
    free, held = worth(stage()), worth(stage(limit=200.0))
    sooner_only = worth(stage(kept=False))
    assert sooner_only == pytest.approx(held)
    assert 0 <= held < free
    # renewed at the first visit and never kept longer: nothing is left to choose
    assert worth(stage(visit_days=182.0, every_n=1, limit=182.0)) == pytest.approx(0.0, abs=1e-9)
    told = reading_worth(stage(kept=False), callout_cost=CALLOUT)
    assert told.renewals.mean() <= 0
    assert told.callouts.mean() >= 0


def test_a_second_stage_in_line_blurs_what_two_gauges_tell():
    own = stage(units=3)
    kpa, often = drops_at_visits(own)
    assert often.sum(axis=1) == pytest.approx(1.0)
    assert np.all(often[:, 2:] == 0)
    assert np.all(np.diff(kpa, axis=1) >= 0)
    assert np.all((kpa >= GOOD.clean_kpa) & (kpa <= GOOD.limit_kpa))
    alone = reading_worth(own, callout_cost=CALLOUT).money.mean(axis=1)
    beside = reading_worth(own, callout_cost=CALLOUT, other_kpa=kpa, other_often=often).money.mean(axis=1)
    assert np.all(beside < 0.9 * alone)
    assert np.all(beside > 0)


def test_many_units_are_worth_what_each_is_alone():
    many = stage(units=230)
    together = reading_worth(many, callout_cost=CALLOUT).money
    for row in (0, 120, 229):
        alone = reading_worth(many.take(np.array([row])), callout_cost=CALLOUT).money
        assert together[row] == pytest.approx(alone[0])
