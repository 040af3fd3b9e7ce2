"""Sites that are added, what is used without a part number, and a past forecast held against use."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.stock import monthly_demand, order_schedule
from fleetstats.stock.back_check import forecast_against_use
from fleetstats.stock.fleet import UNKNOWN_PART
from fleetstats.stock.service_cost import service_cost

from .conftest import AS_OF, SmallFleet

JOINS = date(2024, 5, 16)


def with_one_more(fleet: SmallFleet, joins: date) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The fleet and a site that joins later, equipped and visited as site S1 is."""
    model = pl.col("site_id") == "S1"
    row = pl.int_range(pl.len(), dtype=pl.Int64).over("component")
    units = fleet.units.with_columns(life_row=row, joins_on=pl.lit(None, dtype=pl.Date))
    new = units.filter(model).with_columns(
        site_id=pl.lit("added"), joins_on=pl.lit(joins), age_days=pl.lit(0.0), survived_days=pl.lit(0.0)
    )
    first = pl.lit(joins) + pl.duration(days=pl.col("visit_interval_days").cast(pl.Int64))
    plan = fleet.plans.filter(model).with_columns(site_id=pl.lit("added"), next_visit_on=first)
    both = pl.concat([units, new.cast(dict(units.schema))])  # type: ignore[arg-type]
    return both, pl.concat([fleet.plans, plan.select(fleet.plans.columns)])


def test_an_added_site_takes_its_first_parts_on_its_day_and_then_renews_as_one_new_then(
    fleet: SmallFleet,
) -> None:
    units, plans = with_one_more(fleet, JOINS)
    many = 4_000
    without = monthly_demand(**fleet.arguments(replicates=many))
    found = monthly_demand(**fleet.arguments(units=units, plans=plans, replicates=many))
    assert found.first_fits.sum() == 3
    may = found.periods["starts_on"].to_list().index(date(2024, 5, 1))
    assert found.first_fits[:, may].sum() == 3
    assert found.parts.select("units", "sites").equals(without.parts.select("units", "sites"))
    # the same site seen from the day before it joins, alone and with units that are new
    new = units.filter(pl.col("joins_on").is_not_null()).drop("joins_on")
    day_before = JOINS - timedelta(days=1)
    alone = monthly_demand(
        **fleet.arguments(
            units=new.with_columns(age_days=pl.lit(0.0)), plans=plans, as_of=JOINS, months=10, replicates=many
        )
    )
    assert day_before < alone.periods["starts_on"][0]
    numbers = found.parts["part_number"].to_list()
    for place, part in enumerate(alone.parts["part_number"]):
        mine = numbers.index(part)
        more = found.use[mine].sum(axis=0) - found.first_fits[mine].sum()
        theirs = alone.use[place].sum(axis=0)
        spread = np.sqrt((more.var() + without.use[mine].sum(axis=0).var() + theirs.var()) / many)
        assert abs(more.mean() - without.use[mine].sum(axis=0).mean() - theirs.mean()) < 4.5 * spread


def test_first_fittings_are_no_cost_of_service(fleet: SmallFleet) -> None:
    units, plans = with_one_more(fleet, JOINS)
    found = monthly_demand(**fleet.arguments(units=units, plans=plans))
    prices = pl.DataFrame({"part_number": found.parts["part_number"].unique(), "unit_cost": 10.0})
    row = service_cost(found, prices, callout_cost=0.0).filter(part_number="lamp-1").row(0, named=True)
    place = found.parts["part_number"].to_list().index("lamp-1")
    days = found.parts["unit_days"][place]
    assert row["used_per_year"] == pytest.approx((found.use[place].sum(axis=0).mean() - 1) * 365.25 / days)


def test_what_has_no_part_number_is_ordered_by_component(fleet: SmallFleet) -> None:
    shelf = pl.DataFrame(
        {
            "part_number": ["cartridge-0", "cartridge-1"], "component": ["cartridge"] * 2,
            "on_hand": [900, 900], "on_order": [0, 0], "lead_time_days": [14, 21], "pack_size": [4, 4],
            "unit_cost": [30.0, 30.0],
        }
    )  # fmt: skip
    orders = order_schedule(monthly_demand(**fleet.arguments()), shelf).filter(part_number=UNKNOWN_PART)
    own = orders.filter(component="cartridge")
    assert own["quantity"].sum() > 0
    assert set(own["lead_time_days"]) == {21}, "the slowest delivery among the parts of its kind"
    assert own["runs_short_on"][0] > AS_OF
    assert orders.filter(component="lamp")["reason"].to_list() == ["not in the parts table"]


def test_last_years_forecast_meets_what_was_used(fleet: SmallFleet) -> None:
    found = monthly_demand(**fleet.arguments(as_of=date(2024, 3, 31)))
    used = pl.DataFrame(
        {
            "site_id": ["S2", "S2", "S4", "new", "S3"],
            "component": ["cartridge"] * 4 + ["lamp"],
            "part_number": ["cartridge-0"] * 4 + [None],
        }
    )
    past = forecast_against_use(found, used, known=fleet.units["site_id"].unique())
    row = past.filter(part_number="cartridge-0").row(0, named=True)
    assert (row["used"], row["used_at_added_sites"], row["sites"]) == (4, 1, 3)
    whole = found.use[found.parts["part_number"].to_list().index("cartridge-0")].sum(axis=0)
    assert row["forecast"] == pytest.approx(whole.mean())
    assert row["forecast_low"] <= row["forecast"] <= row["forecast_high"]
    lamp = past.filter(part_number=UNKNOWN_PART, component="lamp")
    assert lamp["used"].to_list() == [1]
    assert past.filter(part_number="lamp-1")["used"].to_list() == [0], "foretold and not used is a row too"
