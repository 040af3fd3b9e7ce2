"""Orders and costs of service drawn from a forecast, and what they refuse."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.errors import StockError
from fleetstats.quantities import DAYS_PER_MONTH
from fleetstats.stock import monthly_demand, order_schedule
from fleetstats.stock.service_cost import service_cost
from fleetstats.tables import TABLES

from .conftest import SmallFleet


@pytest.fixture
def shelf() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "part_number": ["cartridge-0", "cartridge-1", "lamp-1"],
            "component": ["cartridge", "cartridge", "lamp"],
            "on_hand": [2, 0, 3],
            "on_order": [0, None, 0],
            "lead_time_days": [14, 21, 30],
            "pack_size": [4, None, 1],
            "unit_cost": [30.0, None, 90.0],
        }
    )


def test_what_is_ordered_covers_the_use_at_the_service_level(fleet: SmallFleet, shelf: pl.DataFrame) -> None:
    found = monthly_demand(**fleet.arguments())
    for level in (0.5, 0.95):
        orders = order_schedule(found, shelf, service_level=level)
        assert orders.schema == TABLES["orders"].of().schema
        for number, on_hand in (("cartridge-0", 2), ("cartridge-1", 0)):
            total = found.use[found.parts["part_number"].to_list().index(number)].sum(axis=0)
            mine = orders.filter(part_number=number)
            stock = on_hand + mine["quantity"].sum()
            assert (total <= stock).mean() >= level
            last = mine["quantity"][-1]
            assert (total <= stock - last).mean() < level, "the last order was not needed"
            assert mine["order_by"].is_sorted()
            assert (mine["quantity"] == mine["packs"] * (4 if number == "cartridge-0" else 1)).all()


def test_a_higher_service_level_orders_no_later_and_no_less(fleet: SmallFleet, shelf: pl.DataFrame) -> None:
    found = monthly_demand(**fleet.arguments())
    first = [
        order_schedule(found, shelf, service_level=level).filter(part_number="cartridge-0", order_number=1)
        for level in (0.5, 0.8, 0.99)
    ]
    days = [frame["runs_short_on"][0] for frame in first]
    assert days == sorted(days, reverse=True)
    assert days[0] > days[-1]


def test_sums_of_money_are_blank_where_no_price_is_known(fleet: SmallFleet, shelf: pl.DataFrame) -> None:
    orders = order_schedule(monthly_demand(**fleet.arguments()), shelf)
    priced = orders.filter(part_number="cartridge-0")
    assert (priced["order_cost"] == priced["quantity"] * 30.0).all()
    assert orders.filter(part_number="cartridge-1")["order_cost"].is_null().all()
    unlisted = orders.filter(part_number="sleeve-1")
    assert unlisted["reason"].to_list() == ["not in the parts table"]


@pytest.mark.parametrize(
    ("changed", "level", "cover", "told"),
    [
        ({}, 1.0, 91, "service_level"),
        ({}, 0.0, 91, "service_level"),
        ({}, 0.9, 0, "cover_days"),
        ({"on_hand": -1}, 0.9, 91, "on_hand -1"),
        ({"pack_size": 0}, 0.9, 91, "pack_size 0"),
        ({"part_number": "twice"}, 0.9, 91, "listed twice"),
    ],
)
def test_orders_that_cannot_be(
    fleet: SmallFleet, shelf: pl.DataFrame, changed: dict[str, Any], level: float, cover: int, told: str
) -> None:
    found = monthly_demand(**fleet.arguments(replicates=10))
    with pytest.raises(StockError, match=told):
        order_schedule(
            found, shelf.with_columns(pl.lit(v).alias(k) for k, v in changed.items()), service_level=level,
            cover_days=cover,
        )  # fmt: skip


def test_a_missing_column_is_named(fleet: SmallFleet, shelf: pl.DataFrame) -> None:
    found = monthly_demand(**fleet.arguments(replicates=10))
    with pytest.raises(StockError, match="pack_size"):
        order_schedule(found, shelf.drop("pack_size"))
    with pytest.raises(StockError, match="unit_cost"):
        service_cost(found, shelf.drop("unit_cost"), callout_cost=1.0)
    with pytest.raises(StockError, match="callout_cost"):
        service_cost(found, shelf, callout_cost=-1.0)


def test_cost_of_a_month_in_service(fleet: SmallFleet, shelf: pl.DataFrame) -> None:
    found = monthly_demand(**fleet.arguments(as_of=fleet.arguments()["as_of"]))
    cost = service_cost(found, shelf, callout_cost=200.0)
    row = cost.filter(part_number="cartridge-0").row(0, named=True)
    place = found.parts["part_number"].to_list().index("cartridge-0")
    # 11 March 2024 to 31 March 2025: 386 days of three units.
    months = 3 * 386 / DAYS_PER_MONTH
    money = (found.use[place].sum(axis=0) * 30.0 + found.callouts[place].sum(axis=0) * 200.0) / months
    assert row["cost_per_month"] == pytest.approx(money.mean())
    assert (row["low"], row["high"]) == pytest.approx(tuple(np.quantile(money, (0.05, 0.95))))
    assert row["used_per_year"] == pytest.approx(found.use[place].sum(axis=0).mean() * 12 / months)
    assert cost.filter(part_number="cartridge-1")["cost_per_month"].to_list() == [None]
