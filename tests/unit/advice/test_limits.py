"""Which limit binds, in order, net of how late visits happen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest

from fleetstats.advice import ComponentTerms
from fleetstats.advice.limits import strictest_site_limits
from fleetstats.components import OTHER
from fleetstats.errors import AdviceError, SettingsError
from fleetstats.pipeline.in_force import component_terms
from fleetstats.settings import settings_from

from .conftest import AS_OF, KINDS, TERMS, Fleet

MakeFleet = Callable[..., Fleet]
LONG = {"sediment_cartridge": 2000.0, "uv_lamp": 3000.0}


@pytest.mark.parametrize(
    ("setting", "part", "source", "rated"),
    [
        (None, None, "", 365),
        (None, 500, "", 365),  # the part alone does not raise it
        (500, None, "maker's letter", 365),  # nor does a setting alone
        (500, 450, "", 365),  # nor both without a source
        (500, 450, "maker's letter", 450),
        (300, 500, "", 300),
        (365, 250, "", 250),
    ],
)
def test_rated_life_of_a_lamp(setting: float | None, part: float | None, source: str, rated: float) -> None:
    assert ComponentTerms("uv_lamp", rated_life_days=setting, source=source).rated_life(part) == rated


@pytest.mark.parametrize(
    ("kind", "ceiling"),
    [
        (ComponentTerms("quartz_sleeve", announced=False, ceiling_days=365), 182),
        (ComponentTerms("quartz_sleeve", announced=False, ceiling_days=365, source="study"), 365),
        (ComponentTerms("quartz_sleeve", announced=False, ceiling_days=120), 120),
        (ComponentTerms("softener_resin", OTHER, announced=False, customary_days=90), 90),
        (ComponentTerms("uv_lamp", customary_days=365, ceiling_days=500), 365),
        (ComponentTerms("sediment_cartridge"), 365),
    ],
)
def test_ceilings_of_the_uv_unit_and_of_what_fails_unseen_are_customary(
    kind: ComponentTerms, ceiling: float
) -> None:
    assert kind.ceiling == ceiling


def long_lived(make_fleet: MakeFleet) -> Fleet:
    fleet = make_fleet(sites=4, lives=LONG, spread=0.02)
    fleet.terms = replace(TERMS, lateness_days=18, beyond_records=0)
    return fleet


def binding(fleet: Fleet, component: str = "sediment_cartridge", site: int = 0) -> dict:
    rows = fleet.plan().intervals.filter(pl.col("component") == component)
    return rows.row(site, named=True)


def test_a_long_life_stops_at_the_ceiling_and_a_lamp_at_its_rated_life(make_fleet: MakeFleet) -> None:
    fleet = long_lived(make_fleet)
    cartridge, lamp = binding(fleet), binding(fleet, "uv_lamp")
    assert (cartridge["limited_by"], cartridge["interval_days"]) == ("ceiling", 343)  # 49 weeks <= 365 - 18
    assert (lamp["limited_by"], lamp["interval_days"]) == ("rated_life", 343)
    assert lamp["hard_limit_days"] == 347
    assert (lamp["deadline_days"], lamp["deadline"]) == (365, "rated_life")


def test_money_may_shorten_a_lamp_though_never_lengthen_it(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=4, lives={"uv_lamp": 250}, spread=0.02)
    fleet.terms = replace(TERMS, callout_cost=1500)
    lamp = binding(fleet, "uv_lamp")
    assert lamp["limited_by"] == "cost"
    assert lamp["interval_days"] < 200


@pytest.mark.parametrize(
    ("flag", "name"), [("failed_sample_open", "failed_sample"), ("open_alarm", "open_alarm")]
)
def test_nothing_is_lengthened_after_a_failed_sample_or_an_open_alarm(
    make_fleet: MakeFleet, flag: str, name: str
) -> None:
    fleet = long_lived(make_fleet)
    fleet.sites = fleet.sites.with_columns(pl.Series(flag, [True, False, False, False]))
    stuck, free = binding(fleet), binding(fleet, site=1)
    assert stuck["limited_by"] == name
    assert 140 < stuck["interval_days"] <= 182
    assert stuck["visit_interval_days"] <= 182
    assert free["interval_days"] > 182


def site_limits(**columns: list) -> pl.DataFrame:
    base = {"site_id": ["S000"], "region": [None], "kind": ["contract"], "max_days": [150.0], "from": [None],
            "until": [None], "source": ["letter"]}  # fmt: skip
    types = {"region": pl.String, "site_id": pl.String, "from": pl.Date, "until": pl.Date}
    return pl.DataFrame({**base, **columns}, schema_overrides=types)


def test_a_sites_own_limit_binds_its_visits_and_cartridges_net_of_lateness(make_fleet: MakeFleet) -> None:
    fleet = long_lived(make_fleet)
    fleet.site_limits = site_limits()
    row, lamp, other = binding(fleet), binding(fleet, "uv_lamp"), binding(fleet, site=1)
    assert (row["limited_by"], row["interval_days"]) == ("site_limit", 126)  # 18 weeks <= 150 - 18
    assert row["visit_deadline_days"] == 150
    assert lamp["visit_interval_days"] == 126
    assert lamp["interval_days"] == 252
    assert other["interval_days"] == 343


def test_a_limit_that_begins_soon_is_planned_for_and_has_no_deadline_yet(make_fleet: MakeFleet) -> None:
    fleet = long_lived(make_fleet)
    fleet.site_limits = site_limits(**{"from": [AS_OF + timedelta(days=40)]})
    row = binding(fleet)
    assert (row["limited_by"], row["interval_days"]) == ("site_limit", 126)
    assert row["limit_source"] == "contract, at most 150 days from 9 Aug 2025 on: letter"
    assert row["visit_deadline_days"] is None
    assert row["deadline"] == "ceiling"
    fleet.site_limits = site_limits(**{"from": [AS_OF + timedelta(days=151)]})
    assert binding(fleet)["interval_days"] > 150


def test_a_local_rule_binds_the_visits_and_leaves_components_every_second_one(make_fleet: MakeFleet) -> None:
    fleet = long_lived(make_fleet)
    fleet.terms = replace(fleet.terms, local_rule_days=180)
    row = binding(fleet)
    assert row["visit_interval_days"] <= 162
    assert row["interval_days"] == 2 * row["visit_interval_days"]


def test_a_limit_below_the_shortest_visit_interval_wins(make_fleet: MakeFleet) -> None:
    fleet = long_lived(make_fleet)
    fleet.site_limits = site_limits(max_days=[48.0])
    assert binding(fleet)["visit_interval_days"] == 28  # 48 - 18 = 30 days: four whole weeks
    fleet.site_limits = site_limits(max_days=[20.0])
    row = binding(fleet)
    assert (row["visit_interval_days"], row["limited_by"]) == (7, "cannot_be_met")


def test_beyond_records_holds_an_interval_near_the_ages_seen(make_fleet: MakeFleet) -> None:
    fleet = long_lived(make_fleet)
    fleet.terms = replace(fleet.terms, beyond_records=1.25)
    fleet.units = fleet.units.with_columns(seen_days=pl.lit(200.0))
    row = binding(fleet)
    assert row["limited_by"] == "beyond_records"
    assert 182 <= row["interval_days"] <= 250
    fleet.units = fleet.units.with_columns(seen_days=pl.lit(None, pl.Float64))
    assert binding(fleet)["interval_days"] <= 182


def test_savings_beyond_the_ages_seen_are_told_apart(make_fleet: MakeFleet) -> None:
    fleet = long_lived(make_fleet)
    fleet.units = fleet.units.with_columns(seen_days=pl.lit(200.0))
    beyond = fleet.plan().plans
    assert (beyond["saving_projected"] > 50).all()
    fleet.units = fleet.units.with_columns(seen_days=pl.lit(400.0))
    assert (fleet.plan().plans["saving_projected"] == 0).all()


def test_a_failure_chance_limit_binds_or_cannot_be_met(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=4, lives={"sediment_cartridge": 400}, spread=0.02)
    fleet.kinds = {"sediment_cartridge": replace(KINDS["sediment_cartridge"], failure_chance_limit=0.02)}
    row = binding(fleet)
    assert row["limited_by"] == "failure_chance"
    assert row["failure_chance"] <= 0.0205
    fleet.kinds = {"sediment_cartridge": replace(KINDS["sediment_cartridge"], failure_chance_limit=1e-9)}
    row = binding(fleet)
    assert (row["limited_by"], row["interval_days"]) == ("cannot_be_met", 56)


def test_the_strictest_limit_in_force_is_taken_and_named() -> None:
    sites = pl.DataFrame({"site_id": ["A", "B", "C"], "region": ["north", "north", "south"]})
    later = AS_OF + timedelta(days=1)
    rows = pl.DataFrame(
        {
            "site_id": ["A", "A", "B", "C", "C", None],
            "region": [None, None, None, None, None, "north"],
            "kind": ["contract", "technician", "customer", "warranty", "authority", "authority"],
            "max_days": [180.0, 120.0, 300.0, 90.0, 100.0, 200.0],
            "from": [None, None, None, later, AS_OF, None],
            "until": [None, AS_OF, None, None, AS_OF, None],
            "source": ["a", "b", "c", "d", "e", "f"],
        }
    )
    found = strictest_site_limits(sites=sites, site_limits=rows, as_of=AS_OF).sort("site_id")
    assert found.rows() == [
        ("A", 120.0, "technician", "b", None, 120.0),
        ("B", 200.0, "authority", "f", None, 200.0),  # its region's
        ("C", 90.0, "warranty", "d", later, 100.0),  # begins tomorrow: planned for, and not overdue before
    ]
    early = strictest_site_limits(sites=sites, site_limits=rows, as_of=AS_OF - timedelta(days=101))
    assert early.filter(pl.col("site_id") == "C").is_empty()  # neither has begun, nor does within its days
    gone = strictest_site_limits(sites=sites, site_limits=rows, as_of=date(2026, 1, 1))
    assert dict(gone.select("site_id", "site_limit_days").iter_rows()) == {"A": 180, "B": 200, "C": 90}


@pytest.mark.parametrize("days", [0.0, -3.0, None, float("nan")])
def test_a_limit_of_no_days_is_refused_by_name(days: float | None) -> None:
    sites = pl.DataFrame({"site_id": ["S000"], "region": ["north"]})
    limit = site_limits(max_days=pl.Series([days], dtype=pl.Float64))
    with pytest.raises(AdviceError, match=rf"'S000': found max_days {days!r}; accepted is"):
        strictest_site_limits(sites=sites, site_limits=limit, as_of=AS_OF)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("lateness_days", -1),
        ("shortest_visit_days", 3),
        ("longest_visit_days", 50),
        ("trip_cost", float("nan")),
    ],
)
def test_impossible_terms_are_refused(name: str, value: float) -> None:
    with pytest.raises(AdviceError, match=f"{name}: found {value}"):
        replace(TERMS, **{name: value})


def test_impossible_component_terms_are_refused() -> None:
    with pytest.raises(
        SettingsError, match=r"uv_lamp\.planned_cost': found 0; accepted is a number, above 0"
    ):
        ComponentTerms("uv_lamp", planned_cost=0)


def test_a_lamp_of_another_name_stays_at_its_rated_life_once_its_role_is_told(make_fleet: MakeFleet) -> None:
    firm = {"component": {"uv_bulb": {"role": "lamp", "ceiling_days": 800}}, "beyond_records": 0}
    lamp = settings_from(firm, "fleet.toml").component("uv_bulb")
    fleet = make_fleet(sites=4, lives={"uv_bulb": 3000}, spread=0.02)
    fleet.terms = replace(TERMS, beyond_records=0)
    longest = {}
    for rated in (lamp.rated_life_days, None):
        fleet.kinds = {"uv_bulb": component_terms(replace(lamp, rated_life_days=rated), 364.0)}
        longest[rated] = fleet.plan().intervals["interval_days"].max()
    assert longest == {365: 364, None: 364}
    as_a_filter = replace(lamp, role=OTHER, callout_causes=(), rated_life_days=None, customary_days=800)
    fleet.kinds = {"uv_bulb": component_terms(as_a_filter, 364.0)}
    assert fleet.plan().intervals["interval_days"].max() > 365  # what the role alone keeps it from
