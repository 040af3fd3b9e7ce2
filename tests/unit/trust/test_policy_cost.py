"""What a policy would have cost, on recorded lives: by hand, and against what did happen."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.errors import TrustError
from fleetstats.life.draws import LifeDraws
from fleetstats.tables import TABLES
from fleetstats.trust.policy_cost import Prices, policy_cost
from fleetstats.trust.replay import Origin

from .conftest import START, History

ORIGIN = date(2023, 1, 1)
PRICES = Prices(
    trip=100.0,
    callout=300.0,
    part={"cartridge": 40.0, "sleeve": 20.0},
    unseen_day={"sleeve": 2.0},
)


def plans(units: pl.DataFrame, visit_interval: float, origin: date, first: int) -> pl.DataFrame:
    return units.select(
        "site_id", "component", "slot", visit_interval_days=pl.lit(visit_interval),
        every_n_visits=pl.lit(1), hard_limit_days=pl.lit(None, dtype=pl.Float64),
        next_visit_on=pl.lit(origin + timedelta(days=first)),
    )  # fmt: skip


def one_unit(component: str, age: float, survived: float) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "site_id": ["A"], "component": [component], "slot": [""], "part_number": ["P"],
            "fitted_on": [ORIGIN - timedelta(days=int(age))], "age_days": [age], "survived_days": [survived],
            "spent_seen": [False], "removed": [False], "served": [True],
        }
    )  # fmt: skip


def spells(component: str, *rows: tuple[int, float, float]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "site_id": "A", "component": component, "slot": "",
                "fitted_on": ORIGIN + timedelta(days=fitted), "lower_days": lower, "upper_days": upper,
            }
            for fitted, lower, upper in rows
        ]
    )  # fmt: skip


def unlike_the_records(n: int = 1) -> LifeDraws:
    """A belief that nothing ever fails, so that a failure can only come from the records."""
    place = np.full((n, 3), 15.0)
    return LifeDraws(("lognormal",) * 3, place, np.full(3, 0.1), np.zeros_like(place))


def cost_of(
    units: pl.DataFrame, later: pl.DataFrame, plan: pl.DataFrame, lives: LifeDraws | None = None
) -> dict[str, Any]:
    component = units["component"][0]
    found = policy_cost(
        Origin(ORIGIN, units, {360: later}), horizon_days=360, policies={"plan": plan},
        lives={component: lives or unlike_the_records()}, announced={component: component != "sleeve"},
        prices=PRICES, replicates=9,
    )  # fmt: skip
    assert found.schema == TABLES["policy_costs"].of().schema
    return found.row(0, named=True)


def test_recorded_failures_come_in_their_order() -> None:
    # Aged 30 it failed aged 80 (day 50); its successor lasted 90 (day 140); the next was taken out good at 60
    # and is believed to last. Visits on days 100, 200, 300: at 100 the second is 50, 150 at the next: it
    # stays and fails on day 140; at 200 the third is 60, 160 at the next: renewed; again at 300.
    units = one_unit("cartridge", 30.0, 30.0)
    later = spells("cartridge", (-30, 80.0, 80.0), (50, 90.0, 90.0), (140, 60.0, np.inf))
    row = cost_of(units, later, plans(units, 100.0, ORIGIN, 100))
    years = 360 / 365.25
    assert row["trips_per_site_year"] == pytest.approx(3 / years)
    assert row["callouts_per_site_year"] == pytest.approx(2 / years)
    assert row["renewals_per_site_year"] == pytest.approx(4 / years)
    assert row["cost_per_site_year"] == pytest.approx((3 * 100 + 2 * 300 + 4 * 40) / years)
    assert row["low"] == row["high"] == pytest.approx(row["cost_per_site_year"])


def test_days_unseen_are_charged_until_the_visit_or_the_end() -> None:
    # Good at 40 (day 0), spent at 95 sharp (day 55), found on day 100: 45 days. The next one,
    # of which there is no record, is believed to last.
    units = one_unit("sleeve", 40.0, 40.0)
    row = cost_of(units, spells("sleeve", (-40, 95.0, 95.0)), plans(units, 400.0, ORIGIN, 100))
    years = 360 / 365.25
    assert row["unseen_days_per_site_year"] == pytest.approx(45 / years, rel=1e-3)
    assert row["cost_per_site_year"] == pytest.approx((100 + 20 + 45 * 2) / years, rel=1e-3)
    # With no visit within the horizon it lies unseen to the end.
    row = cost_of(units, spells("sleeve", (-40, 95.0, 95.0)), plans(units, 400.0, ORIGIN, 390))
    assert row["unseen_days_per_site_year"] == pytest.approx(305 / years, rel=1e-3)
    assert row["trips_per_site_year"] == 0.0


def test_an_end_known_within_an_interval_stays_within_it() -> None:
    units = one_unit("sleeve", 40.0, 40.0)
    row = cost_of(units, spells("sleeve", (-40, 60.0, 120.0)), plans(units, 400.0, ORIGIN, 100))
    assert 20.0 <= row["unseen_days_per_site_year"] * 360 / 365.25 <= 80.0


def test_where_the_records_are_silent_the_belief_speaks() -> None:
    units = one_unit("cartridge", 30.0, 30.0)
    silent = spells("cartridge", (-29, 80.0, 80.0))  # of another unit
    plan = plans(units, 1000.0, ORIGIN, 400)
    row = cost_of(units, silent, plan)
    assert row["callouts_per_site_year"] == 0.0
    place = np.full((1, 3), 5.0)
    row = cost_of(units, silent, plan, lives=LifeDraws(("weibull",) * 3, place, np.ones(3), 0.0 * place))
    assert row["callouts_per_site_year"] > 0.5
    assert row["low"] < row["high"], "how much hangs on the belief"


def test_the_rule_that_was_followed_costs_about_what_it_did(history: History) -> None:
    # Visits came about every 182 days and renewed what was past half of it: the same rule walked over the
    # recorded lives makes about the call-outs that were made.
    day, horizon = 1300, 365
    in_place, _ = history.known_at(day)
    in_place = in_place.filter(component="cartridge").with_columns(part_number=pl.lit("P"))
    origin = START + timedelta(days=day)
    then = Origin(origin, in_place, {horizon: history.known_at(day + horizon)[1]})
    sites = np.random.default_rng(1).integers(1, 182, in_place.height)
    rule = plans(in_place, 182.0, origin, 0).with_columns(
        next_visit_on=pl.Series([origin + timedelta(days=int(d)) for d in sites])
    )
    quarterly = rule.with_columns(visit_interval_days=91.0)
    never = rule.with_columns(visit_interval_days=5000.0, next_visit_on=pl.lit(origin + timedelta(days=400)))
    found = policy_cost(
        then, horizon_days=horizon, policies={"rule": rule, "quarterly": quarterly, "never": never},
        lives={"cartridge": history.draws(in_place)}, announced={"cartridge": True}, prices=PRICES,
        replicates=40,
    )  # fmt: skip
    called = sum(
        s.failed and s.component == "cartridge" and s.ended is not None and day < s.ended <= day + horizon
        for s in history.spells
    )
    callouts = dict(found.select("policy", "callouts_per_site_year").iter_rows())
    assert callouts["rule"] == pytest.approx(called / in_place.height * 365.25 / horizon, rel=0.06)
    assert callouts["quarterly"] < callouts["rule"] < callouts["never"]


def test_a_horizon_that_was_not_followed_is_refused() -> None:
    units = one_unit("cartridge", 30.0, 30.0)
    with pytest.raises(TrustError, match="182"):
        policy_cost(
            Origin(ORIGIN, units, {182: spells("cartridge", (-30, 80.0, 80.0))}), horizon_days=365,
            policies={}, lives={}, announced={}, prices=PRICES,
        )  # fmt: skip
