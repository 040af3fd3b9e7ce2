"""From plans to the need of parts: monthly use, orders, and what each part costs in service."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from fleetstats.life.learn import ComponentLife
from fleetstats.pipeline.plans import FleetPlan, TodaysRule
from fleetstats.settings import Settings
from fleetstats.stock import monthly_demand, order_schedule
from fleetstats.stock.demand import DemandForecast
from fleetstats.stock.service_cost import service_cost
from fleetstats.store import Relations

_KEY = ("site_id", "component", "slot")


def forecast_stock(
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
    plan: FleetPlan,
) -> dict[str, pl.DataFrame]:
    """Return the tables stock, stock_this_month, orders and part_costs."""
    next_visit = plan.due.select(*_KEY, pl.col("visit_from").alias("next_visit_on"))
    intervals = plan.visits.intervals.select(
        *_KEY, "visit_interval_days", "every_n_visits", "hard_limit_days"
    )
    plans = intervals.join(next_visit, on=_KEY, how="inner", maintain_order="left")
    served = plan.units.join(plans.select(*_KEY), on=_KEY, how="semi", maintain_order="left")
    forecast = monthly_demand(
        units=served,
        lives={name: life.lives for name, life in lives.items()},
        announced={name: terms.announced for name, terms in rule.terms.items()},
        plans=plans,
        current_plans=_todays_plans(plans, rule),
        as_of=relations.as_of,
        months=settings.horizon_months,
        lateness_days=rule.lateness_days,
        part_share=_part_share(relations.spells),
    )
    orders = _orders(forecast, relations.parts) if relations.parts.height else pl.DataFrame()
    return {
        "stock": forecast.stock,
        "stock_this_month": forecast.rest_of_month,
        "orders": orders,
        "part_costs": service_cost(forecast, relations.parts, callout_cost=settings.callout_cost),
    }


def _orders(forecast: DemandForecast, parts: pl.DataFrame) -> pl.DataFrame:
    terms = parts.select("part_number", "lead_time_days", "pack_size")
    return order_schedule(forecast, parts).join(terms, on="part_number", how="left", maintain_order="left")


def _todays_plans(plans: pl.DataFrame, rule: TodaysRule) -> pl.DataFrame:
    """Return today's rule in the shape of the plans: the same next visit, then its own intervals."""
    every_n = {
        name: max(round(terms.current_interval_days / rule.visit_days), 1)
        for name, terms in rule.terms.items()
    }
    return plans.with_columns(
        visit_interval_days=pl.lit(rule.visit_days),
        every_n_visits=pl.col("component").replace_strict(every_n, return_dtype=pl.Int64),
        hard_limit_days=pl.lit(None, pl.Float64),
    )


def _part_share(spells: pl.DataFrame) -> dict[str, float]:
    """Return the share of each component's renewals that took a new part rather than a cleaning."""
    begun = spells.filter(pl.col("renewed_by").is_not_null())
    new = (pl.col("renewed_by") != "cleaned").mean().alias("share")
    rows = begun.group_by("component").agg(new).sort("component")
    return {row["component"]: float(row["share"]) for row in rows.iter_rows(named=True)}
