"""What whole plans say holds them: neighbours at one address, refusals, cut decisions, the shortest visits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from tests.unit.advice.conftest import AS_OF, KINDS, TERMS, Fleet

MakeFleet = Callable[..., Fleet]


def decided(fleet: Fleet, *rows: tuple[str, str, float]) -> Fleet:
    """The fleet with decisions as (site, word, days)."""
    fleet.decisions = pl.DataFrame(
        [(site, AS_OF - timedelta(days=30), word, days, "as agreed") for site, word, days in rows],
        schema=["site_id", "decided_on", "decision", "visit_interval_days", "reason"], orient="row",
    )  # fmt: skip
    return fleet


def held(fleet: Fleet, site: str = "S000") -> tuple[int, set[str]]:
    """The visit interval of a site, and what its components say holds them."""
    rows = fleet.plan().intervals.filter(pl.col("site_id") == site)
    return rows["visit_interval_days"][0], set(rows["limited_by"])


@pytest.mark.parametrize("sites", [2, 40])  # of 2 the records are too few for a plan
def test_a_neighbours_contract_is_named_at_both_homes_of_an_address(
    make_fleet: MakeFleet, sites: int
) -> None:
    fleet = make_fleet(sites=sites, lives={"sediment_cartridge": 400, "carbon_cartridge": 500})
    fleet.sites = fleet.sites.with_columns(
        address_id=pl.when(pl.col("site_id").is_in(["S000", "S001"])).then(pl.lit("one"))
    )
    fleet.site_limits = pl.DataFrame({"site_id": ["S001"], "kind": ["contract"], "max_days": [100.0]})
    assert held(fleet) == (98, {"shared_trip"})
    assert held(fleet, "S001") == (98, {"site_limit"})


def test_a_refusal_that_keeps_a_site_short_is_named_however_far_from_it_the_plan_lies(
    make_fleet: MakeFleet,
) -> None:
    """Of the intervals left up to today's, one may be chosen that lies more than a week below it."""
    fleet = make_fleet(sites=40)
    rows = fleet.plan().intervals
    free = {site: own["visit_interval_days"][0] for (site,), own in rows.group_by("site_id")}
    below = 0
    for site, days in sorted(free.items()):
        today = days - 10.0
        if today < 63 or below:
            continue
        fleet.terms = replace(TERMS, current_visit_days=today)
        found, names = held(decided(fleet, (site, "refused", float(days))), site)
        assert found < days
        assert "cost" not in names
        below += today - found >= 7
    assert below


def test_the_neighbour_that_holds_the_trip_is_named_and_never_the_site_itself(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=40, lives={"sediment_cartridge": 400})
    fleet.sites = fleet.sites.with_columns(
        address_id=pl.when(pl.col("site_id").is_in(["S000", "S001", "S002"])).then(pl.lit("one"))
    )
    fleet.terms = replace(TERMS, lateness_days=14)
    fleet.site_limits = pl.DataFrame({"site_id": ["S001"], "kind": ["contract"], "max_days": [122.0]})
    rows = decided(fleet, ("S000", "accepted", 119.0)).plan().intervals
    told = {row["site_id"]: (row["limited_by"], row["limit_source"]) for row in rows.iter_rows(named=True)}
    assert told["S000"] == (
        "shared_trip",
        "S001",
    )  # 119 accepted here, cut to 105 by the contract's 122 less 14
    assert told["S001"][0] == "site_limit"
    assert told["S002"] == ("shared_trip", "S001")


def test_a_slow_home_that_shares_its_trip_with_a_fast_one_is_told_so(make_fleet: MakeFleet) -> None:
    """Nothing but the fast home's cost brings the slow one's visits forward."""
    fleet = make_fleet(sites=40, lives={"sediment_cartridge": 400, "quartz_sleeve": 600}, spread=0.05)
    fleet.lives["sediment_cartridge"].location[1] -= 1.5
    slow, _ = held(fleet)
    fast, _ = held(fleet, "S001")
    assert fast < slow - 50
    fleet.sites = fleet.sites.with_columns(
        address_id=pl.when(pl.col("site_id").is_in(["S000", "S001"])).then(pl.lit("one"))
    )
    days, names = held(fleet)
    assert days < slow
    assert "shared_trip" in names
    assert "cost" not in names
    assert held(fleet, "S001")[0] == days


def test_of_two_accepted_at_one_address_the_shorter_holds_and_is_named_at_its_own_home(
    make_fleet: MakeFleet,
) -> None:
    fleet = make_fleet(sites=2, lives={"sediment_cartridge": 400})
    fleet.sites = fleet.sites.with_columns(address_id=pl.lit("one"))
    decided(fleet, ("S000", "accepted", 119.0), ("S001", "accepted", 91.0))
    assert held(fleet) == (91, {"shared_trip"})
    assert held(fleet, "S001") == (91, {"decision"})


def test_a_refusal_that_changes_nothing_is_not_named(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=1, lives={"sediment_cartridge": 150})
    free, names = held(fleet)
    assert held(decided(fleet, ("S000", "refused", 364.0))) == (free, names)
    assert "decision" not in names


def test_an_accepted_interval_that_another_part_cuts_names_that_parts_limit(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=1, lives={"sediment_cartridge": 400, "quartz_sleeve": 400})
    rows = decided(fleet, ("S000", "accepted", 280.0)).plan().intervals
    assert rows["visit_interval_days"][0] <= 182
    assert set(rows["limited_by"]) == {"ceiling"}


@pytest.mark.parametrize(("days", "trip", "looked_at"), [(75, 80, 56), (45, 80, 364)])
def test_visits_closer_than_any_looked_at_are_priced_where_they_would_cost_clearly_less(
    make_fleet: MakeFleet, days: int, trip: float, looked_at: int
) -> None:
    fleet = make_fleet(sites=3, lives={"sediment_cartridge": days}, spread=0.05)
    fleet.terms = replace(TERMS, trip_cost=trip)  # at 45 days visits 8 weeks apart only add to the call-outs
    found = fleet.plan()
    rows: list[dict[str, Any]] = found.plans.to_dicts()
    assert {row["visit_interval_days"] for row in rows} == {looked_at}
    assert set(found.intervals["limited_by"]) == {"shortest_visit"}
    for row in rows:
        closer = row["visit_interval_days_closer"]
        assert 28 <= closer < 56
        assert row["cost_per_year_closer"] < row["cost_per_year"] / 1.02
        fleet.terms = replace(TERMS, trip_cost=trip, shortest_visit_days=closer, longest_visit_days=closer)
        forced = fleet.plan().plans.row(by_predicate=pl.col("site_id") == row["site_id"], named=True)
        assert forced["cost_per_year"] == pytest.approx(row["cost_per_year_closer"], rel=1e-2)


def test_slow_sites_have_no_closer_visits_to_price(make_fleet: MakeFleet) -> None:
    found = make_fleet(sites=3, lives={"sediment_cartridge": 400}).plan()
    assert found.plans["visit_interval_days_closer"].null_count() == 3
    assert found.plans["cost_per_year_closer"].null_count() == 3
    assert "shortest_visit" not in set(found.intervals["limited_by"])


def test_a_sleeve_is_not_planned_to_stay_until_it_is_likelier_scaled_than_not(make_fleet: MakeFleet) -> None:
    """Half are scaled by day 120; money alone (0.1 a day unseen) would leave them in as long as may be."""
    fleet = make_fleet(sites=40, lives={"sediment_cartridge": 400, "quartz_sleeve": 120}, spread=0.05)
    cheap = replace(KINDS["quartz_sleeve"], hidden_day_cost=0.1)
    for limit, name in ((1.0, "ceiling"), (0.5, "failure_chance")):
        fleet.kinds = {**KINDS, "quartz_sleeve": replace(cheap, failure_chance_limit=limit)}
        rows = fleet.plan().intervals.filter(pl.col("component") == "quartz_sleeve")
        assert name in set(rows["limited_by"])
        assert (rows["failure_chance"].max() > 0.5) == (limit == 1.0)


def test_no_decision_leaves_a_sleeve_in_until_it_is_likelier_scaled_than_not(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=40, lives={"sediment_cartridge": 400, "quartz_sleeve": 120}, spread=0.05)
    fleet.kinds = {**KINDS, "quartz_sleeve": replace(KINDS["quartz_sleeve"], failure_chance_limit=0.5)}
    rows = decided(fleet, ("S000", "accepted", 182.0), ("S001", "refused", 56.0)).plan().intervals
    for site in ("S000", "S001"):
        own = rows.filter(pl.col("site_id") == site)
        assert own["visit_interval_days"][0] < 126
        sleeve = own.row(by_predicate=pl.col("component") == "quartz_sleeve", named=True)
        assert sleeve["failure_chance"] <= 0.5
        assert sleeve["limited_by"] == "failure_chance"


def test_the_tolerated_chance_of_a_sleeve_is_kept_as_visits_really_happen(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=40, lives={"sediment_cartridge": 400, "quartz_sleeve": 150}, spread=0.05)
    fleet.kinds = {**KINDS, "quartz_sleeve": replace(KINDS["quartz_sleeve"], failure_chance_limit=0.5)}
    prompt = fleet.plan().intervals.filter(pl.col("component") == "quartz_sleeve")["interval_days"]
    fleet.terms = replace(TERMS, lateness_days=21)
    late = fleet.plan().intervals.filter(pl.col("component") == "quartz_sleeve")["interval_days"]
    held = prompt < 150  # of others visits are that short anyway
    assert held.sum() > 20
    assert ((late - prompt).filter(held) <= -14).all()


def test_of_few_records_in_the_fleet_a_fast_sleeve_of_one_site_is_still_known(make_fleet: MakeFleet) -> None:
    """Twelve homes are priced by what is typical of them; the chance is that of the home itself."""
    fleet = make_fleet(sites=12, lives={"sediment_cartridge": 400, "quartz_sleeve": 400}, spread=0.05)
    fleet.lives["quartz_sleeve"].location[3] -= 1.5
    fleet.units = fleet.units.with_columns(failures=pl.lit(1))
    fleet.kinds = {**KINDS, "quartz_sleeve": replace(KINDS["quartz_sleeve"], failure_chance_limit=0.5)}
    found = fleet.plan()
    levels = dict(found.levels.select("component", "level").iter_rows())
    assert levels["quartz_sleeve"] == "fleet_typical"
    rows = found.intervals.filter(pl.col("component") == "quartz_sleeve").sort("site_id")
    assert (rows["failure_chance"] <= 0.5).all()
    assert rows["limited_by"][3] == "failure_chance"
    assert rows["interval_days"][3] < rows["interval_days"].median() - 50


def test_a_limit_holds_where_the_trip_is_shared_only_if_it_allows_no_week_more(make_fleet: MakeFleet) -> None:
    """A sleeve renewed at every visit of a neighbour's 98 days is held by that, not by its 182."""
    fleet = make_fleet(sites=40, lives={"sediment_cartridge": 500, "quartz_sleeve": 500}, spread=0.05)
    fleet.sites = fleet.sites.with_columns(
        address_id=pl.when(pl.col("site_id").is_in(["S000", "S001"])).then(pl.lit("one"))
    )
    fleet.site_limits = pl.DataFrame({"site_id": ["S001"], "kind": ["contract"], "max_days": [100.0]})
    rows = fleet.plan().intervals.filter(
        (pl.col("site_id") == "S000") & (pl.col("component") == "quartz_sleeve")
    )
    assert (rows["interval_days"][0], rows["limited_by"][0]) == (98, "shared_trip")


def test_planned_trips_to_one_address_are_one_in_the_fleets_sum(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=6)
    apart = fleet.plan().totals.row(by_predicate=pl.col("measure") == "trips_per_year", named=True)
    fleet.sites = fleet.sites.with_columns(address_id=pl.lit("one"))
    found = fleet.plan()
    row = found.totals.row(by_predicate=pl.col("measure") == "trips_per_year", named=True)
    days = found.plans["visit_interval_days"][0]
    assert row["plan"] == pytest.approx(365.25 / days)
    assert row["current"] == pytest.approx(365.25 / 182) == pytest.approx(apart["current"] / 6)
