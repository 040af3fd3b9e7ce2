"""What if: kinds of sites and what they would get, against the sites' own plans."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import plan_visits
from fleetstats.advice.site_kinds import MOST_KINDS, SiteKinds, site_kinds
from fleetstats.advice.what_if import kind_plans

from .conftest import AS_OF, KINDS, TERMS, Fleet

MakeFleet = Callable[..., Fleet]
# A plan is chosen by the tables of node costs, and what was chosen is told draw by draw, by straight lines in the
# table of rates: the two ways differ by up to 1 part in 10,000.


def kinds_of(fleet: Fleet) -> SiteKinds:
    found = fleet.plan()
    called = found.plans.select("site_id", "callouts_per_year_current")
    return site_kinds(found.priced, called)


def each_alone(fleet: Fleet) -> Fleet:
    """Give every site a limit of its own, far off, so that it makes a kind by itself."""
    names = fleet.sites["site_id"]
    fleet.site_limits = pl.DataFrame(
        {
            "site_id": names,
            "kind": "customer",
            "max_days": np.arange(len(names)) + 1000.0,
            "from": None,
            "until": None,
            "source": "-",
        }
    )
    return fleet


def test_a_kind_of_one_site_gets_what_the_analysis_chose_and_priced_there(make_fleet: MakeFleet) -> None:
    fleet = each_alone(make_fleet(sites=24))
    fleet.terms = replace(TERMS, lateness_days=11.0)
    plan, found = fleet.plan(), kinds_of(fleet)
    assert found.kinds["sites"].to_list() == [1] * 24
    got = kind_plans(found, trip_cost=120, callout_cost=300)
    # kinds of one site each: told apart by their call-outs under today's rule
    order = (
        found.kinds.select("kind", "callouts_low")
        .join(plan.plans, left_on="callouts_low", right_on="callouts_per_year_current")
        .sort("kind")
    )
    assert order.height == 24
    assert got.kinds["visit_interval_days"].to_list() == order["visit_interval_days"].to_list()
    assert got.kinds["cost_per_year"].to_numpy() == pytest.approx(order["cost_per_year"].to_numpy(), rel=2e-4)
    assert got.kinds["callouts_per_year"].to_numpy() == pytest.approx(
        order["callouts_per_year"].to_numpy(), rel=1e-3
    )
    own = (
        order.select("kind", "site_id")
        .join(plan.intervals, on="site_id")
        .sort("kind", "component", "slot")["every_n_visits"]
    )
    assert got.units.sort("kind", "component", "slot")["every_n_visits"].to_list() == own.to_list()


@pytest.mark.parametrize(("trip", "callout", "chance"), [(60, 300, None), (250, 90, None), (120, 900, 0.2)])
def test_other_terms_give_what_the_analysis_would_choose_with_them(
    make_fleet: MakeFleet, trip: float, callout: float, chance: float | None
) -> None:
    fleet = each_alone(make_fleet(sites=16, seed=4))
    got = kind_plans(kinds_of(fleet), trip_cost=trip, callout_cost=callout, tolerated=chance)
    low = kinds_of(fleet).kinds.select("kind", "callouts_low")
    before = fleet.plan().plans.select("site_id", "callouts_per_year_current")
    fleet.terms = replace(TERMS, trip_cost=trip, callout_cost=callout)
    if chance is not None:
        fleet.kinds = {name: replace(kind, failure_chance_limit=chance) for name, kind in KINDS.items()}
    plans = fleet.plan().plans.drop("callouts_per_year_current").join(before, on="site_id")
    order = low.join(plans, left_on="callouts_low", right_on="callouts_per_year_current").sort("kind")
    assert got.kinds["visit_interval_days"].to_list() == order["visit_interval_days"].to_list()
    assert got.kinds["cost_per_year"].to_numpy() == pytest.approx(order["cost_per_year"].to_numpy(), rel=2e-4)


def test_a_kind_costs_the_mean_of_its_sites_at_one_plan(make_fleet: MakeFleet) -> None:
    """Held to one interval, every site of the fleet costs, on average over a kind, what the kind says."""
    fleet = make_fleet(sites=30)
    fleet.terms = replace(TERMS, shortest_visit_days=84.0, longest_visit_days=84.0)
    fleet.kinds = {name: replace(kind, ceiling_days=84.0) for name, kind in KINDS.items()}
    found = kinds_of(fleet)
    got = kind_plans(found, trip_cost=120, callout_cost=300).kinds
    assert found.kinds["levels"].to_list() == [5] * 5
    plans = fleet.plan().plans
    assert set(plans["visit_interval_days"]) == {84}
    mean = float((got["cost_per_year"] * found.kinds["sites"]).sum() / found.kinds["sites"].sum())
    assert mean == pytest.approx(float(plans["cost_per_year"].to_numpy().mean()), rel=1e-4)


def test_hard_limits_hold_whatever_is_asked(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=40, spread=0.8)
    fleet.terms = replace(TERMS, lateness_days=14.0, local_rule_days=200.0)
    found = kinds_of(fleet)
    for trip, callout, chance in ((5000, 0, 1.0), (0, 5000, 1.0), (5000, 0, 0.01), (0, 0, None)):
        got = kind_plans(found, trip_cost=trip, callout_cost=callout, tolerated=chance)
        assert got.kinds["visit_interval_days"].max() <= 200 - 14
        for name, most in (
            ("uv_lamp", 365 - 14),
            ("quartz_sleeve", 182 - 14),
            ("carbon_cartridge", 365 - 14),
        ):
            own = got.units.filter(pl.col("component") == name)
            assert own["interval_days"].max() <= most


def test_a_tighter_chance_shortens_and_the_uv_unit_is_never_loosened(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=20)
    fleet.kinds = {**KINDS, "quartz_sleeve": replace(KINDS["quartz_sleeve"], failure_chance_limit=0.1)}
    found = kinds_of(fleet)
    intervals = [
        kind_plans(found, trip_cost=120, callout_cost=300, tolerated=chance)
        .units.group_by("component")
        .agg(pl.col("interval_days").mean())
        .sort("component")["interval_days"]
        .to_list()
        for chance in (1.0, 0.3, 0.1)
    ]
    sediment = [row[2] for row in intervals]
    assert sediment[0] >= sediment[1] > sediment[2]
    own = kind_plans(found, trip_cost=120, callout_cost=300)
    sleeve = own.units.filter(pl.col("component") == "quartz_sleeve")["interval_days"].to_list()
    loose = kind_plans(found, trip_cost=120, callout_cost=300, tolerated=1.0)
    chances = found.units.filter(pl.col("component") == "quartz_sleeve")["chances"].to_list()
    for days, curve in zip(
        loose.units.filter(pl.col("component") == "quartz_sleeve")["interval_days"], chances, strict=True
    ):
        assert days <= 56 or curve[days // 7 - 1] <= 0.1
    assert len(sleeve) == len(chances)


def test_there_are_at_most_fifty_kinds_and_what_is_left_out_is_counted(make_fleet: MakeFleet) -> None:
    fleet = each_alone(make_fleet(sites=60, lives={"sediment_cartridge": 230}))
    found = kinds_of(fleet)
    assert found.kinds.height == MOST_KINDS
    assert found.left_out == 10
    assert found.kinds["sites"].sum() + found.left_out == 60


def test_sites_without_a_known_life_are_in_no_kind(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=12)
    fleet.units = fleet.units.with_columns(failures=0, spells=1)
    found = kinds_of(fleet)
    assert found.kinds.is_empty()
    assert found.left_out == 12
    assert kind_plans(found, trip_cost=1, callout_cost=1).kinds.is_empty()


def test_an_interval_decided_on_beyond_the_longest_looked_at_lengthens_no_kind(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=12, lives={"sediment_cartridge": 2000})
    fleet.kinds = {
        "sediment_cartridge": replace(KINDS["sediment_cartridge"], ceiling_days=3000.0, source="a contract")
    }
    fleet.terms = replace(TERMS, beyond_records=0.0)
    before = kind_plans(kinds_of(fleet), trip_cost=500, callout_cost=300)
    decided = plan_visits(
        sites=fleet.sites, units=fleet.units, lives=fleet.lives, components=fleet.kinds, terms=fleet.terms,
        as_of=AS_OF, months_seen=fleet.months_seen, most_draws=60,
        decisions=pl.DataFrame(
            {
                "site_id": ["S000"], "decision": ["accepted"], "decided_on": [AS_OF],
                "visit_interval_days": [560.0],
            }
        ),
    )  # fmt: skip
    assert decided.plans["visit_interval_days"].max() == 560
    called = decided.plans.select("site_id", "callouts_per_year_current")
    after = kind_plans(site_kinds(decided.priced, called), trip_cost=500, callout_cost=300)
    assert after.kinds["visit_interval_days"].to_list() == before.kinds["visit_interval_days"].to_list()
    assert after.kinds["visit_interval_days"].max() <= 364
