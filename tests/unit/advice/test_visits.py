"""The visit plan: what is chosen, what it says of its cost, and what holds it back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import plan_visits
from fleetstats.errors import AdviceError

from .conftest import AS_OF, KINDS, TERMS, Fleet

MakeFleet = Callable[..., Fleet]


def test_every_unit_of_a_served_site_has_one_row_and_intervals_are_products(make_fleet: MakeFleet) -> None:
    fleet = make_fleet()
    fleet.sites = fleet.sites.with_columns(served=pl.col("site_id") != "S003")
    found = fleet.plan()
    assert found.plans["site_id"].to_list() == sorted(set(fleet.sites["site_id"]) - {"S003"})
    rows = found.intervals
    assert len(rows) == 29 * 4
    assert (rows["interval_days"] == rows["visit_interval_days"] * rows["every_n_visits"]).all()
    assert set(rows["every_n_visits"]) <= {1, 2, 3, 4}
    assert (rows["visit_interval_days"] % 7 == 0).all()
    joined = rows.join(found.plans, on="site_id")
    assert (joined["visit_interval_days"] == joined["visit_interval_days_right"]).all()


def test_costs_add_up_and_their_range_holds_them(make_fleet: MakeFleet) -> None:
    found = make_fleet().plan()
    parts = found.intervals.group_by("site_id").agg(pl.col("cost_per_year", "cost_per_year_current").sum())
    plans = found.plans.join(parts, on="site_id", suffix="_parts")
    for now in ("", "_current"):
        trips = plans[f"trips_per_year{now}"] * 120
        total = plans[f"cost_per_year{now}_parts"] + trips
        assert plans[f"cost_per_year{now}"].to_numpy() == pytest.approx(total.to_numpy(), rel=1e-9)
        assert (plans[f"low{now}"] < plans[f"cost_per_year{now}"]).all()
        assert (plans[f"high{now}"] > plans[f"cost_per_year{now}"]).all()
    saving = plans["cost_per_year_current"] - plans["cost_per_year"]
    told = plans["saving_seen"] + plans["saving_projected"]
    assert told.to_numpy() == pytest.approx(saving.to_numpy(), abs=1e-9)
    assert (plans["saving_projected"] >= 0).all()


def test_no_allowed_plan_is_much_cheaper_than_the_one_chosen(make_fleet: MakeFleet) -> None:
    """Whatever other visit interval a site is forced to, it does not save more than the 2 % given away."""
    fleet = make_fleet(sites=20)
    chosen = fleet.plan().plans["cost_per_year"].to_numpy()
    for weeks in range(8, 53, 4):
        fleet.terms = replace(TERMS, shortest_visit_days=7.0 * weeks, longest_visit_days=7.0 * weeks)
        found = fleet.plan()
        kept = found.plans["visit_interval_days"].to_numpy() == 7 * weeks
        forced = found.plans["cost_per_year"].to_numpy()
        assert np.all(chosen[kept] <= forced[kept] * 1.02 * 1.01)


def test_fast_sites_are_visited_more_often_than_slow_ones(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=40, lives={"sediment_cartridge": 260}, spread=0.4)
    location = fleet.lives["sediment_cartridge"].location.mean(axis=1)
    plans = fleet.plan().plans["visit_interval_days"].to_numpy()
    order = np.argsort(location)
    assert plans[order[:10]].mean() < 0.7 * plans[order[-10:]].mean()


def test_sites_at_one_address_share_the_trip_and_the_visit_interval(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=12)
    alone = fleet.plan().plans
    fleet.sites = fleet.sites.with_columns(address_id=pl.Series(["A"] * 6 + [None] * 6))
    shared = fleet.plan().plans
    assert shared["visit_interval_days"].gather(range(6)).n_unique() == 1
    assert shared.tail(6).equals(alone.tail(6))
    trips = shared["trips_per_year"].head(6) * 120 / 6
    parts = (
        fleet.plan().intervals.group_by("site_id").agg(pl.col("cost_per_year").sum()).sort("site_id").head(6)
    )
    assert shared["cost_per_year"].head(6).to_numpy() == pytest.approx(
        (parts["cost_per_year"] + trips).to_numpy()
    )


def test_near_equal_plans_give_way_to_the_customary_one(make_fleet: MakeFleet) -> None:
    """With every visit all but free of consequence, twenty-six weeks is what the trade does."""
    fleet = make_fleet(sites=6, lives={"sediment_cartridge": 1500}, spread=0.01)
    fleet.terms = replace(TERMS, trip_cost=0.001)
    fleet.kinds = {"sediment_cartridge": replace(KINDS["sediment_cartridge"], planned_cost=0.001)}
    plans = fleet.plan()
    cheap = plans.plans["cost_per_year"]
    fleet.terms = replace(fleet.terms, shortest_visit_days=182, longest_visit_days=182)
    customary = fleet.plan().plans["cost_per_year"]
    near = (customary <= cheap * 1.02).to_numpy()
    assert np.all(plans.plans["visit_interval_days"].to_numpy()[near] == 182)


@pytest.mark.parametrize(
    ("failures", "months", "level", "evidence"),
    [
        (4, 48, "per_site", "own_records"),
        (1, 48, "per_site", "like_sites"),
        (4, 8, "due_list_only", "customary"),
    ],
)
def test_how_much_the_records_carry(
    make_fleet: MakeFleet, failures: int, months: int, level: str, evidence: str
) -> None:
    fleet = make_fleet(sites=40)
    fleet.units = fleet.units.with_columns(failures=pl.lit(failures))
    fleet.months_seen = months
    found = fleet.plan()
    assert set(found.levels["level"]) == {level}
    assert set(found.intervals["evidence"]) == {evidence}
    if level == "due_list_only":
        assert (found.intervals["interval_days"] <= found.intervals["current_interval_days"]).all()
        assert set(found.intervals["limited_by"]) <= {"few_records", "rated_life", "ceiling"}
        assert set(found.plans["visit_interval_days"]) == {182}


def test_fleet_typical_advice_is_one_plan_for_all(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=10, spread=0.6)
    fleet.units = fleet.units.with_columns(failures=pl.lit(2))
    found = fleet.plan()
    assert set(found.levels["level"]) == {"fleet_typical"}
    assert found.plans["visit_interval_days"].n_unique() == 1
    assert set(found.intervals["evidence"]) == {"like_sites"}


def test_a_unit_without_a_curve_keeps_todays_rule(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=3)
    fleet.units = fleet.units.with_columns(
        life_row=pl.when(pl.col("component") != "carbon_cartridge").then(pl.col("life_row"))
    )
    rows = fleet.plan().intervals.filter(pl.col("component") == "carbon_cartridge")
    assert (rows["interval_days"] <= 182).all()
    assert rows["cost_per_year"].null_count() == rows["failure_chance"].null_count() == 3
    assert set(rows["evidence"]) == {"customary"}


def test_a_removed_unit_has_a_row_but_no_say(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=8)
    without = replace_units(fleet, pl.col("component") != "quartz_sleeve")
    fleet.units = fleet.units.with_columns(removed=pl.col("component") == "quartz_sleeve")
    found, other = fleet.plan(), without.plan()
    assert found.plans.equals(other.plans)
    sleeves = found.intervals.filter(pl.col("component") == "quartz_sleeve")
    assert len(sleeves) == 8
    assert (sleeves["cost_per_year"] == 0).all()


def replace_units(fleet: Fleet, kept: pl.Expr) -> Fleet:
    return replace(fleet, units=fleet.units.filter(kept))


def test_failure_chances_are_those_of_a_fresh_unit_at_the_interval(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=5)
    rows = fleet.plan().intervals.filter(pl.col("component") == "uv_lamp").sort("site_id")
    lives = fleet.lives["uv_lamp"]
    at = 1 - np.diag(lives.survival(rows["interval_days"].to_numpy()))
    assert rows["failure_chance"].to_numpy() == pytest.approx(at, rel=1e-9)
    today = 1 - lives.survival(np.array([364.0]))[:, 0]
    assert rows["failure_chance_current"].to_numpy() == pytest.approx(today, rel=1e-9)
    assert (rows["failure_chance_low"] <= rows["failure_chance"]).all()
    assert (rows["failure_chance_high"] >= rows["failure_chance"]).all()


def test_the_order_of_rows_does_not_matter(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=9)
    before = fleet.plan()
    fleet.units = fleet.units.sample(fraction=1, shuffle=True, seed=5)
    fleet.sites = fleet.sites.sample(fraction=1, shuffle=True, seed=6)
    after = fleet.plan()
    assert after.plans.equals(before.plans)
    assert after.intervals.equals(before.intervals)


def test_a_component_without_terms_is_refused_by_name(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=2)
    del fleet.kinds["uv_lamp"]
    with pytest.raises(AdviceError, match="'uv_lamp', which has no terms"):
        fleet.plan()


def test_a_fleet_without_served_sites_has_empty_plans(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=2)
    fleet.sites = fleet.sites.with_columns(served=False)
    found = fleet.plan()
    assert found.plans.is_empty()
    assert found.intervals.is_empty()
    assert "limited_by" in found.intervals.columns


def test_ages_in_days_of_the_future_do_not_matter_to_the_plan(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=4)
    before = fleet.plan().plans
    fleet.units = fleet.units.with_columns(fitted_on=pl.lit(AS_OF + timedelta(days=9)))
    assert fleet.plan().plans.equals(before)


def test_optional_columns_may_be_left_out() -> None:
    found = plan_visits(
        sites=pl.DataFrame({"site_id": ["A"]}),
        units=pl.DataFrame({"site_id": ["A"], "component": ["uv_lamp"]}),
        lives={},
        components=KINDS,
        terms=TERMS,
        as_of=AS_OF,
        months_seen=3,
    )
    assert found.plans["visit_interval_days"].to_list() == [182]
    assert found.intervals["interval_days"].to_list() == [364]


def test_a_month_either_way_costs_what_the_plan_forced_there_costs(make_fleet: MakeFleet) -> None:
    """Priced beside the plan, and priced as the only visit interval that is allowed: the same."""
    fleet = make_fleet(sites=12)
    found = fleet.plan().plans
    compared = 0
    for side, step in (("sooner", -28), ("later", 28)):
        column = f"cost_per_year_month_{side}"
        for row in found.drop_nulls(column).iter_rows(named=True):
            days = float(row["visit_interval_days"] + step)
            fleet.terms = replace(TERMS, shortest_visit_days=days, longest_visit_days=days)
            forced = fleet.plan().plans.row(by_predicate=pl.col("site_id") == row["site_id"], named=True)
            if forced["visit_interval_days"] != days:
                continue
            # the forced plan may take a more customary n within the 2 % given away; costs are tabulated, to 1e-4
            assert forced["cost_per_year"] >= row[column] * (1 - 1e-4)
            assert forced["cost_per_year"] <= row[column] * 1.02 * (1 + 1e-4)
            compared += 1
    assert compared > 12


def test_a_month_either_way_is_dearer_but_for_the_little_given_away(make_fleet: MakeFleet) -> None:
    found = make_fleet(sites=40).plan().plans
    for side in ("sooner", "later"):
        known = found.drop_nulls(f"cost_per_year_month_{side}")
        assert known.height
        assert (known[f"cost_per_year_month_{side}"] >= known["cost_per_year"] / 1.02 - 1e-9).all()


def test_a_month_that_no_visit_interval_allows_has_no_price(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=6)
    fleet.terms = replace(TERMS, shortest_visit_days=112, longest_visit_days=112)
    plans = fleet.plan().plans
    assert plans["cost_per_year_month_sooner"].null_count() == 6
    assert plans["cost_per_year_month_later"].null_count() == 6


def test_a_month_sooner_is_less_often_spent_and_a_month_later_more_often(make_fleet: MakeFleet) -> None:
    rows = make_fleet().plan().intervals
    assert (rows["failure_chance_month_sooner"] < rows["failure_chance"]).all()
    assert (rows["failure_chance_month_later"] > rows["failure_chance"]).all()


def test_a_contract_holds_where_everything_was_taken_out(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=3)
    fleet.terms = replace(fleet.terms, current_visit_days=300, lateness_days=10)
    fleet.units = fleet.units.with_columns(removed=pl.col("site_id") != "S000")
    fleet.site_limits = pl.DataFrame({"site_id": ["S001"], "kind": ["contract"], "max_days": [150.0]})
    days = dict(fleet.plan().plans.select("site_id", "visit_interval_days").iter_rows())
    assert (days["S001"], days["S002"]) == (140, 294)  # 150 - 10; whole weeks of today's 300


def test_no_multiple_of_a_visit_is_told_that_a_unit_put_back_may_not_reach(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=2)
    fleet.terms = replace(fleet.terms, local_rule_days=100)
    rated = pl.when(pl.col("component") == "uv_lamp").then(250.0)
    fleet.units = fleet.units.with_columns(removed=pl.col("component") == "uv_lamp", rated_life_days=rated)
    lamps = fleet.plan().intervals.filter(pl.col("component") == "uv_lamp")
    assert (lamps["visit_interval_days"] > 62).all()  # so that a fourth visit would be past it
    assert (lamps["interval_days"] <= 250).all()
    assert (lamps["every_n_visits"] > 1).all()


def test_a_rating_or_an_age_that_is_no_number_takes_no_limit_away(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=6, lives={"sediment_cartridge": 2000, "uv_lamp": 3000})
    fleet.units = fleet.units.with_columns(failures=9)
    plain = fleet.plan().intervals["hard_limit_days"]
    nan = pl.lit(float("nan"))
    fleet.units = fleet.units.with_columns(rated_life_days=nan, seen_days=nan)
    found = fleet.plan().intervals
    assert found["hard_limit_days"].equals(plain)
    cartridges = found.filter(pl.col("component") == "sediment_cartridge")
    assert (cartridges["interval_days"] <= 182).all()  # no age seen: no longer than today's
    assert found.filter(pl.col("component") == "uv_lamp")["interval_days"].max() <= 365
