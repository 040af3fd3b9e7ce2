"""From plans to the need of parts: monthly use, orders, cost; and last year's forecast against use."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl

from fleetstats.life.learn import ComponentLife
from fleetstats.pipeline.added_sites import added_sites, joining_dates
from fleetstats.pipeline.in_force import TodaysRule, todays_rule
from fleetstats.pipeline.lives import learn_fleet
from fleetstats.pipeline.plans import FleetPlan
from fleetstats.settings import Settings
from fleetstats.stock import monthly_demand, order_schedule
from fleetstats.stock.back_check import forecast_against_use
from fleetstats.stock.fleet import YOUNG_COLUMNS
from fleetstats.stock.part_changes import part_changes
from fleetstats.stock.service_cost import service_cost
from fleetstats.store import Relations, Store
from fleetstats.tables import TABLES

#: The past forecast that is held against use: its months, the days of records needed before, and its draws.
MONTHS, LEAST_DAYS_BEFORE, DRAWS = 12, 365, 60
_KEY = ("site_id", "component", "slot")


def forecast_stock(
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
    plan: FleetPlan,
) -> dict[str, pl.DataFrame]:
    """Return the tables stock, stock_this_month, orders and part_costs."""
    told = _fleet_told(relations, settings, lives, rule, plan)
    forecast = monthly_demand(
        **told,
        announced={name: terms.announced for name, terms in rule.terms.items()},
        as_of=relations.as_of,
        months=settings.horizon_months,
        lateness_days=rule.lateness_days,
        part_share=part_share(relations.spells),
        changes=part_changes(with_the_only_part(relations.spells, relations.parts), as_of=relations.as_of),
    )
    orders = pl.DataFrame()
    if relations.parts.height:
        orders = order_schedule(forecast, relations.parts, service_level=settings.service_level)
    return {
        "stock": forecast.stock,
        "stock_this_month": forecast.rest_of_month,
        "orders": orders,
        "part_costs": service_cost(forecast, relations.parts, callout_cost=settings.callout_cost),
    }


def _fleet_told(
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
    plan: FleetPlan,
) -> dict[str, Any]:
    """Return units, lives and plans as `monthly_demand` takes them, sites yet to be added among them."""
    next_visit = plan.due.select(*_KEY, pl.col("visit_from").alias("next_visit_on"))
    intervals = plan.visits.intervals.select(
        *_KEY, "visit_interval_days", "every_n_visits", "hard_limit_days"
    )
    plans = intervals.join(next_visit, on=_KEY, how="inner", maintain_order="left")
    served = plan.units.join(plans.select(*_KEY), on=_KEY, how="semi", maintain_order="left")
    told: dict[str, Any] = {
        "units": with_the_only_part(served, relations.parts),
        "lives": {name: life.lives for name, life in lives.items()},
        "plans": plans,
        "current_plans": todays_plans(plans, rule),
    }
    joins = joining_dates(
        relations.as_of, months=settings.horizon_months, sites_per_month=settings.sites_added_per_month
    )
    if not joins or served.is_empty():
        return told
    seeds = {name: place for place, name in enumerate(settings.components)}
    added = added_sites(relations, lives, rule, plan, joins=joins, seeds=seeds)
    newcomers = with_the_only_part(added.units, relations.parts)
    return {
        "units": pl.concat([told["units"], newcomers], how="diagonal_relaxed"),
        "lives": added.lives,
        "plans": pl.concat([plans, added.plans.select(plans.columns)], how="vertical_relaxed"),
        "current_plans": pl.concat(
            [told["current_plans"], todays_plans(added.current_plans.select(plans.columns), rule)],
            how="vertical_relaxed",
        ),
    }


def with_the_only_part(units: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Return the units; one without a part number takes the only part listed for its component, if only one.

    Where several are listed, or none, it stays without: its use is forecast by component.
    """
    only = (
        parts.filter(pl.col("component").is_not_null())
        .unique(["component", "part_number"])
        .filter(pl.len().over("component") == 1)
    )
    of_kind = dict(only.select("component", "part_number").iter_rows())
    number = pl.col("part_number").cast(pl.String)
    listed = pl.col("component").replace_strict(of_kind, default=None, return_dtype=pl.String)
    return units.with_columns(part_number=pl.coalesce(number, listed))


def todays_plans(plans: pl.DataFrame, rule: TodaysRule) -> pl.DataFrame:
    """Return today's rule in the shape of the plans: the same next visit, then its intervals and practice."""
    every_n = {
        name: max(round(terms.current_interval_days / rule.visit_days), 1)
        for name, terms in rule.terms.items()
    }
    young = {
        name: {kind: terms.renewed_young[place] for kind, terms in rule.terms.items()}
        for place, name in enumerate(YOUNG_COLUMNS)
    }
    return plans.with_columns(
        *(
            pl.col("component").replace_strict(shares, return_dtype=pl.Float64).alias(name)
            for name, shares in young.items()
        ),
        visit_interval_days=pl.lit(rule.visit_days),
        every_n_visits=pl.col("component").replace_strict(every_n, return_dtype=pl.Int64),
        hard_limit_days=pl.lit(None, pl.Float64),
    )


def part_share(spells: pl.DataFrame) -> dict[str, float]:
    """Return the share of each component's renewals that took a new part rather than a cleaning.

    What a place began with is no renewal: a sleeve is fitted once and cleaned from then on.
    """
    known = spells.filter(pl.col("renewed_by").is_not_null())
    after_first = pl.col("fitted_on") > pl.col("fitted_on").min().over(_KEY)
    begun = pl.concat([known.filter(after_first), _never_renewed(known, after_first)])
    new = (pl.col("renewed_by") != "cleaned").mean().alias("share")
    rows = begun.group_by("component").agg(new).sort("component")
    return {row["component"]: float(row["share"]) for row in rows.iter_rows(named=True)}


def _never_renewed(known: pl.DataFrame, after_first: pl.Expr) -> pl.DataFrame:
    """Return the spells of components of which no renewal is on record: their first fittings must do."""
    return known.filter(~after_first.any().over("component"))


def stock_past(store: Store, settings: Settings, *, relations: Relations) -> pl.DataFrame:
    """Return the table stock_past; without rows where the records are shorter than two years.

    The forecast is made at the end of a month, a year before the last month that is whole by the as-of date:
    from the records known then, learned anew, with today's rule as it was kept then.

    Parameters
    ----------
    store : Store
    settings : Settings
    relations : Relations
        As of the day of the analysis: what was used is read off them.
    """
    end = _last_month_end(relations.as_of)
    then = date(end.year - 1, end.month, 1) + timedelta(days=31)
    then = then.replace(day=1) - timedelta(days=1)
    first = relations.visits["visit_date"].min()
    if not isinstance(first, date) or (then - first).days < LEAST_DAYS_BEFORE:
        return TABLES["stock_past"].of()
    known = store.relations(as_of=then, settings=settings)
    lives = learn_fleet(known, settings, draws=DRAWS, gauges_used=False)
    units = _units_then(known, list(lives))
    if units.is_empty():
        return TABLES["stock_past"].of()
    rule = todays_rule(known, settings)
    forecast = monthly_demand(
        units=with_the_only_part(units, relations.parts),
        lives={name: life.lives for name, life in lives.items()},
        announced={name: terms.announced for name, terms in rule.terms.items()},
        plans=_rule_then(units, known, rule),
        as_of=then,
        months=MONTHS,
        lateness_days=rule.lateness_days,
        part_share=part_share(known.spells),
        changes=part_changes(with_the_only_part(known.spells, relations.parts), as_of=then),
    )
    used = relations.work.filter(
        pl.col("action").is_in(["fitted", "replaced"])
        & (pl.col("visit_date") > then)
        & (pl.col("visit_date") <= end)
        & pl.col("component").is_in(list(lives))
    )
    used = with_the_only_part(used.select("site_id", "component", "part_number"), relations.parts)
    return forecast_against_use(forecast, used, known=units["site_id"].unique())


def _last_month_end(day: date) -> date:
    """Return the last day of the last month that is over by the evening of `day`."""
    tomorrow = day + timedelta(days=1)
    return day if tomorrow.day == 1 else day.replace(day=1) - timedelta(days=1)


def _units_then(known: Relations, components: list[str]) -> pl.DataFrame:
    """Return the units in place then at served sites, each with its row in its component's draws."""
    numbered = known.in_place.with_columns(life_row=pl.int_range(pl.len(), dtype=pl.Int64).over("component"))
    return numbered.filter(pl.col("served") & ~pl.col("removed") & pl.col("component").is_in(components))


def _rule_then(units: pl.DataFrame, known: Relations, rule: TodaysRule) -> pl.DataFrame:
    """Return each unit's plan by the rule kept then: due one visit interval after the last visit."""
    last = known.sites.select("site_id", "last_visit_on")
    due = pl.col("last_visit_on") + pl.duration(days=round(rule.visit_days))
    plans = units.select(_KEY).join(last, on="site_id", how="left", maintain_order="left")
    return todays_plans(plans.select(*_KEY, next_visit_on=due), rule)
