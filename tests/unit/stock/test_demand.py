"""The forecast against a plain loop over the same plan, and how it carries what is not known."""

from __future__ import annotations

import math
import random
from datetime import date
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.errors import StockError
from fleetstats.life.draws import LifeDraws
from fleetstats.stock import monthly_demand
from fleetstats.stock.fleet import UNKNOWN_PART

from .conftest import AS_OF, SmallFleet


def draw_life(chance: random.Random, lives: LifeDraws, row: int, draw: int) -> float:
    """One life, by textbook inversion; nothing shared with the code under test."""
    u = 1.0 - chance.random()
    z = {
        "weibull": lambda: math.log(-math.log(u)),
        "loglogistic": lambda: math.log((1 - u) / u) if u < 1 else -40.0,
        "lognormal": lambda: chance.gauss(0, 1),
    }[lives.family[draw]]()
    return max(math.exp(lives.location[row, draw] + lives.scale[draw] * z), 1.0)


def walk_once(chance: random.Random, fleet: SmallFleet, late: float, end: date) -> dict[tuple[str, str], int]:
    """Parts used before `end`, by component and month, in one possible future."""
    last = (end - AS_OF).days - 1
    used: dict[tuple[str, str], int] = {}
    draws = {kind: chance.randrange(len(lives.family)) for kind, lives in fleet.lives.items()}
    delays: dict[tuple[str, int], int] = {}
    plans = {(r["site_id"], r["component"]): r for r in fleet.plans.iter_rows(named=True)}
    counters = dict.fromkeys(fleet.lives, 0)
    for unit in fleet.units.iter_rows(named=True):
        site, kind = unit["site_id"], unit["component"]
        row = counters[kind]
        counters[kind] += 1
        plan, announced = plans[site, kind], fleet.announced[kind]
        gap = plan["visit_interval_days"]

        def count(day: float, kind: str = kind) -> None:
            month = str(date.fromordinal(AS_OF.toordinal() + math.ceil(day)))[:7]
            used[kind, month] = used.get((kind, month), 0) + 1

        age = unit["age_days"]
        lasted = max(unit["survived_days"], age if announced else 0.0)
        life = -1.0
        while life <= lasted:  # a life that fits what is known, by rejection
            life = draw_life(chance, fleet.lives[kind], row, draws[kind])
        born, forced = -age, unit["spent_seen"]
        fails = born + life
        if forced:
            fails = math.inf if announced else 0.0
        planned, number = float((plan["next_visit_on"] - AS_OF).days), 0
        while planned <= last:
            if (site, number) not in delays:
                delay = chance.expovariate(math.log(10) / late) if late else 0.0
                delays[site, number] = int(min(delay, gap // 2))
            day = planned + delays[site, number]
            while announced and fails <= min(day, last):
                count(fails)
                born, forced = fails, False
                fails = born + draw_life(chance, fleet.lives[kind], row, draws[kind])
            if day > last:
                break
            next_age = planned + gap - born
            limit = plan["hard_limit_days"] or math.inf
            too_old = next_age > gap * plan["every_n_visits"] + gap / 2 or next_age >= limit + 1
            if forced or too_old or (not announced and fails <= day):
                count(day)
                born, forced = day, False
                fails = born + draw_life(chance, fleet.lives[kind], row, draws[kind])
            planned += gap
            number += 1
        while announced and fails <= last:
            count(fails)
            born = fails
            fails = born + draw_life(chance, fleet.lives[kind], row, draws[kind])
    return used


@pytest.mark.parametrize("late", [0.0, 20.0])
def test_expectation_and_spread_match_a_plain_loop(fleet: SmallFleet, late: float) -> None:
    found = monthly_demand(**fleet.arguments(months=8, lateness_days=late, replicates=6_000, seed=4))
    chance = random.Random(12)
    futures = [walk_once(chance, fleet, late, date(2024, 12, 1)) for _ in range(3_000)]
    kinds = found.parts["component"].to_list()
    for kind in fleet.lives:
        mine = found.use[[i for i, k in enumerate(kinds) if k == kind]].sum(axis=0)
        for period, start in enumerate(found.periods["starts_on"]):
            theirs = np.array([future.get((kind, str(start)[:7]), 0) for future in futures])
            error = math.hypot(
                theirs.std() / math.sqrt(theirs.size), mine[period].std() / math.sqrt(mine.shape[1])
            )
            assert abs(mine[period].mean() - theirs.mean()) < 4.5 * error + 1e-12, (kind, start)
        totals = np.array([sum(n for (k, _), n in f.items() if k == kind) for f in futures])
        assert mine.sum(axis=0).std() == pytest.approx(totals.std(), rel=0.08)
        for level in (0.5, 0.8, 0.95):
            a, b = np.quantile(mine.sum(axis=0), level), np.quantile(totals, level)
            assert abs(a - b) <= 1.0


def test_parameters_unknown_for_the_whole_fleet_widen_its_totals_and_not_its_mean() -> None:
    def total(shared: bool) -> np.ndarray:
        n, draws = 60, 100
        shift = np.random.default_rng(1).normal(0, 0.25, (n, draws))
        shift = np.repeat(shift[:1], n, axis=0) if shared else shift
        location = 4.5 + shift
        units = pl.DataFrame(
            {
                "site_id": [f"S{i}" for i in range(n)], "component": "cartridge", "slot": "",
                "part_number": "P", "age_days": 10.0, "survived_days": 10.0, "spent_seen": False,
            }
        )  # fmt: skip
        plans = units.select(
            "site_id", "component", "slot", visit_interval_days=pl.lit(350.0), every_n_visits=pl.lit(1),
            hard_limit_days=pl.lit(None, dtype=pl.Float64), next_visit_on=pl.lit(date(2025, 1, 1)),
        )  # fmt: skip
        lives = LifeDraws(("weibull",) * draws, location, np.full(draws, 0.4), np.zeros_like(location))
        found = monthly_demand(
            units=units, lives={"cartridge": lives}, announced={"cartridge": True}, plans=plans, as_of=AS_OF,
            replicates=1_000,
        )  # fmt: skip
        return found.use.sum(axis=(0, 1))

    together, apart = total(shared=True), total(shared=False)
    assert together.std() > 3 * apart.std()
    assert together.mean() == pytest.approx(apart.mean(), rel=0.05)


def test_quantiles_of_a_month_are_those_of_its_replicates(fleet: SmallFleet) -> None:
    found = monthly_demand(**fleet.arguments(replicates=400))
    row = found.stock.row(0, named=True)
    part = found.parts["part_number"].to_list().index(row["part_number"])
    month = found.periods["starts_on"].to_list().index(row["month"])
    use = found.use[part, month]
    for name, share in (("p50", 0.5), ("p80", 0.8), ("p95", 0.95)):
        assert (use <= row[name]).mean() >= share
        assert (use < row[name]).mean() < share
    assert row["expected"] == use.mean()


def test_months_and_rest_add_up_to_the_whole(fleet: SmallFleet) -> None:
    found = monthly_demand(**fleet.arguments(current_plans=fleet.plans, replicates=200))
    for column in ("expected", "expected_current_rule", "expected_callouts"):
        parts = found.stock[column].sum() + found.rest_of_month[column].sum()
        assert parts == pytest.approx(found.whole_horizon[column].sum())


def test_todays_rule_is_walked_by_its_own_plan(fleet: SmallFleet) -> None:
    yearly = fleet.plans.with_columns(visit_interval_days=pl.lit(364.0), hard_limit_days=None)
    found = monthly_demand(**fleet.arguments(current_plans=yearly))
    same = monthly_demand(**fleet.arguments(plans=yearly))
    ours = found.whole_horizon["expected_current_rule"].to_numpy()
    np.testing.assert_allclose(ours, same.whole_horizon["expected"].to_numpy(), rtol=0.1, atol=0.1)
    assert monthly_demand(**fleet.arguments()).stock["expected_current_rule"].is_null().all()


def test_a_missing_part_number_is_forecast_under_a_name_of_its_own(fleet: SmallFleet) -> None:
    blank = fleet.units.with_columns(
        part_number=pl.when(pl.col("site_id") == "S1").then(pl.lit(" ")).otherwise("part_number")
    )
    found = monthly_demand(**fleet.arguments(units=blank))
    unknown = found.parts.filter(part_number=UNKNOWN_PART)
    assert unknown["component"].to_list() == ["cartridge", "lamp", "sleeve"]
    assert unknown["units"].to_list() == [2, 2, 2]
    assert found.parts["units"].sum() == fleet.units.height


def test_units_that_are_gone_use_nothing(fleet: SmallFleet) -> None:
    state = fleet.units.with_columns(
        removed=pl.col("site_id") == "S2", served=~pl.col("site_id").is_in(["S3", "S4"])
    )
    found = monthly_demand(**fleet.arguments(units=state))
    assert found.parts["units"].sum() == 5 * 3


def test_renewals_by_cleaning_take_no_part(fleet: SmallFleet) -> None:
    all_parts = monthly_demand(**fleet.arguments())
    none = monthly_demand(**fleet.arguments(part_share={"sleeve": 0.0}))
    assert "sleeve" not in none.parts["component"]
    third = monthly_demand(**fleet.arguments(part_share={"sleeve": 0.3}))
    some, every = (
        f.whole_horizon.filter(component="sleeve")["expected"].to_numpy() for f in (third, all_parts)
    )
    np.testing.assert_allclose(some, 0.3 * every, rtol=0.1)


def test_rows_of_draws_may_be_named(fleet: SmallFleet) -> None:
    named = fleet.units.with_columns(life_row=7 - pl.int_range(pl.len()).over("component"))
    turned = {
        kind: LifeDraws(d.family, d.location[::-1], d.scale, d.site_effect) for kind, d in fleet.lives.items()
    }
    ours = monthly_demand(**fleet.arguments(units=named, lives=turned))
    assert ours.stock.equals(monthly_demand(**fleet.arguments()).stock)


def test_no_units_no_forecast(fleet: SmallFleet) -> None:
    found = monthly_demand(**fleet.arguments(units=fleet.units.clear()))
    assert found.stock.height == 0
    assert found.stock.columns[:7] == [
        "part_number", "component", "month", "expected", "p50", "p80", "p95",
    ]  # fmt: skip


def bad(fleet: SmallFleet, name: str) -> dict[str, Any]:
    units, plans, lives = fleet.units, fleet.plans, fleet.lives
    one = lives["lamp"]
    return {
        "no column": {"units": units.drop("age_days")},
        "negative age": {"units": units.with_columns(age_days=-1.0)},
        "no plan": {"plans": plans.filter(pl.col("site_id") != "S5")},
        "two plans": {"plans": pl.concat([plans, plans.head(1)])},
        "no date": {"plans": plans.with_columns(next_visit_on=pl.lit(None, dtype=pl.Date))},
        "no interval": {"plans": plans.with_columns(visit_interval_days=0.0)},
        "no n": {"plans": plans.with_columns(every_n_visits=0)},
        "not told": {"announced": {"lamp": True, "sleeve": False}},
        "no lives": {"lives": {"lamp": one}},
        "too few rows": {
            "lives": lives | {"lamp": LifeDraws(one.family, one.location[:3], one.scale, one.site_effect[:3])}
        },
        "not finite": {
            "lives": lives
            | {"lamp": LifeDraws(one.family, one.location * np.nan, one.scale, one.site_effect)}
        },
        "other family": {
            "lives": lives | {"lamp": LifeDraws(("gamma",) * 4, one.location, one.scale, one.site_effect)}
        },
        "no draws": {
            "lives": lives
            | {"lamp": LifeDraws((), one.location[:, :0], one.scale[:0], one.site_effect[:, :0])}
        },
        "shapes": {
            "lives": lives | {"lamp": LifeDraws(one.family[:3], one.location, one.scale, one.site_effect)}
        },
        "no months": {"months": 0},
        "lateness": {"lateness_days": -3.0},
        "replicates": {"replicates": 0},
        "share": {"part_share": {"sleeve": 1.2}},
    }[name]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("no column", "age_days"), ("negative age", "age_days"), ("no plan", "site S5"),
        ("two plans", "two plans"), ("no date", "site S0"), ("no interval", "site S0"), ("no n", "site S0"),
        ("not told", "cartridge"), ("no lives", "cartridge"), ("too few rows", "draws for 3"),
        ("not finite", "finite"), ("other family", "gamma"), ("no draws", "no draws"),
        ("shapes", "3 families"),
        ("no months", "months"), ("lateness", "lateness_days"), ("replicates", "replicates"),
        ("share", "part_share"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_name(fleet: SmallFleet, name: str, told: str) -> None:
    with pytest.raises(StockError, match=told):
        monthly_demand(**fleet.arguments(**bad(fleet, name)))
