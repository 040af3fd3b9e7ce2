"""What to order, when: from the stock at hand and the months' use, at a chosen level of service."""

import math
from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from fleetstats.errors import StockError
from fleetstats.quantities import FloatArray
from fleetstats.stock.demand import DemandForecast
from fleetstats.stock.fleet import UNKNOWN_PART
from fleetstats.tables import TABLES

PART_COLUMNS = ("part_number", "component", "on_hand", "on_order", "lead_time_days", "pack_size", "unit_cost")


def order_schedule(
    forecast: DemandForecast,
    parts: pl.DataFrame,
    *,
    service_level: float = 0.95,
    cover_days: int = 91,
) -> pl.DataFrame:
    """Return the orders that keep each part in stock over the horizon, in order of time within a part.

    What is used without a part number is ordered by component, as if nothing of it were at hand.
    Stock runs short on the first day by which use may have passed what is at hand and on order, at the
    service level; within a month, use is spread evenly. An order goes out its lead time before that day
    (the as-of date where that has passed) and fills up, in whole packs, for `cover_days` after it.

    Parameters
    ----------
    forecast : DemandForecast
    parts : polars frame
        part_number, component, on_hand, on_order (null = 0), lead_time_days, pack_size (null = 1), unit_cost
        (null = sums of money are null). Parts without use ahead give no row.
    service_level : float
        Chance of not running short, between 0 and 1.
    cover_days : int
        Days that one order is to last, at least 1.

    Returns
    -------
    polars frame
        The table `orders`. A part that needs no order, or that cannot be planned because its stock or
        lead time is not known, has one row without a quantity whose `reason` says so. money_in_stock is
        what is at hand and on order today, at cost.

    Raises
    ------
    StockError
        If a column is missing, a part is listed twice, a number is out of range, or a level is no chance.
    """
    _check(parts, service_level, cover_days)
    listed = {row["part_number"]: row for row in parts.select(PART_COLUMNS).iter_rows(named=True)}
    by_kind = _by_component(parts)
    days = _days_ahead(forecast)
    ahead = forecast.use.cumsum(axis=1)
    levels = np.quantile(ahead, service_level, axis=-1, method="inverted_cdf")
    rows: list[dict[str, object]] = []
    for place, (number, component) in enumerate(
        forecast.parts.select("part_number", "component").iter_rows()
    ):
        curve = np.concatenate([[0.0], levels[place]])
        terms = by_kind.get(component) if number == UNKNOWN_PART else listed.get(number)
        rows += _orders_of(number, component, terms, days, curve, forecast.as_of, cover_days)
    return TABLES["orders"].of(rows).sort("component", "part_number", "order_number")


def _by_component(parts: pl.DataFrame) -> dict[str, dict[str, Any]]:
    """Return, by component, the terms of what is used without a part number.

    The shelf belongs to the parts that are listed; delivery is the slowest among them; pieces come singly.
    """
    slowest = parts.group_by("component").agg(pl.col("lead_time_days").max())
    nothing = {"on_hand": 0, "on_order": 0, "pack_size": 1, "unit_cost": None}
    return {
        row["component"]: {**nothing, "lead_time_days": row["lead_time_days"]}
        for row in slowest.drop_nulls("component").iter_rows(named=True)
    }


def _orders_of(
    number: str,
    component: str,
    listed: dict[str, Any] | None,
    days: FloatArray,
    curve: FloatArray,
    as_of: date,
    cover_days: int,
) -> list[dict[str, object]]:
    row: dict[str, Any] = {"part_number": number, "component": component, "order_number": 0}
    if listed is None:
        return [row | {"reason": "not in the parts table"}]
    unknown = [name for name in ("on_hand", "lead_time_days") if listed[name] is None]
    if unknown:
        return [row | {"reason": f"{unknown[0]} is not given"}]
    for name, usual in (("on_hand", 0), ("on_order", 0), ("lead_time_days", 0), ("pack_size", 1)):
        row[name] = int(listed[name] or usual)
    cost = None if listed["unit_cost"] is None else float(listed["unit_cost"])
    row["money_in_stock"] = None if cost is None else (row["on_hand"] + row["on_order"]) * cost
    orders = [row | order for order in _orders(row, cost, days, curve, as_of, cover_days)]
    return orders or [row | {"reason": "enough for the months ahead"}]


def _orders(
    part: dict[str, Any],
    unit_cost: float | None,
    days: FloatArray,
    curve: FloatArray,
    as_of: date,
    cover_days: int,
) -> Iterator[dict[str, object]]:
    stock, order_number = part["on_hand"] + part["on_order"], 0
    lead_time_days, pack_size = part["lead_time_days"], part["pack_size"]
    while stock < curve[-1]:
        short = _day_passed(days, curve, stock)
        order_number += 1
        sent = max(short - lead_time_days, 0)
        arrives = sent + lead_time_days
        until = min(max(short, arrives) + cover_days, int(days[-1]))
        packs = max(math.ceil((np.interp(until, days, curve) - stock) / pack_size - 1e-9), 1)
        quantity = packs * pack_size
        late = short < lead_time_days
        yield {
            "order_number": order_number,
            "order_by": as_of + timedelta(days=sent),
            "arrives_by": as_of + timedelta(days=arrives),
            "quantity": quantity,
            "packs": packs,
            "order_cost": None if unit_cost is None else quantity * unit_cost,
            "runs_short_on": as_of + timedelta(days=short),
            "covers_until": as_of + timedelta(days=until),
            "reason": "may run short before it arrives" if late else "in time",
        }
        stock += quantity


def _day_passed(days: FloatArray, curve: FloatArray, stock: float) -> int:
    """Return the first whole day on which use, even within each month, has passed `stock`."""
    after = int(np.argmax(curve > stock))
    rise = float((stock - curve[after - 1]) / (curve[after] - curve[after - 1]))
    passed = float(days[after - 1]) + rise * float(days[after] - days[after - 1])
    return max(math.floor(passed) + 1, 1)


def _days_ahead(forecast: DemandForecast) -> FloatArray:
    """Return the days from the as-of date to the end of each period, 0 first."""
    ends = [(end - timedelta(days=1) - forecast.as_of).days for end in forecast.periods["ends_before"]]
    return np.array([0.0, *ends])


def _check(parts: pl.DataFrame, service_level: float, cover_days: int) -> None:
    if not 0.0 < service_level < 1.0:
        raise StockError(
            f"orders: service_level is {service_level}; accepted is a chance between 0 and 1, such as 0.95"
        )
    if cover_days < 1:
        raise StockError(f"orders: cover_days is {cover_days}; accepted is 1 day or more")
    missing = [name for name in PART_COLUMNS if name not in parts.columns]
    if missing:
        raise StockError(f"orders: parts lack the column {missing[0]}; needed are {', '.join(PART_COLUMNS)}")
    twice = parts.filter(pl.col("part_number").is_duplicated())
    if twice.height:
        raise StockError(f"orders: part {twice['part_number'][0]} is listed twice; list each part once")
    for name, least in (
        ("on_hand", 0),
        ("on_order", 0),
        ("lead_time_days", 0),
        ("pack_size", 1),
        ("unit_cost", 0),
    ):
        low = parts.filter(pl.col(name) < least)
        if low.height:
            raise StockError(
                f"orders: part {low['part_number'][0]} has {name} {low[name][0]}; accepted is {least} or more"
            )
