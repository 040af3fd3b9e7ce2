"""Forecasts last year's need of parts from what was known before it, and holds it against what was used."""

from datetime import date, timedelta

import polars as pl

from fleetstats.pipeline.forecast import part_share, todays_plans, with_the_only_part
from fleetstats.pipeline.in_force import TodaysRule, todays_rule
from fleetstats.pipeline.lives import learn_fleet
from fleetstats.settings import Settings
from fleetstats.stock import monthly_demand
from fleetstats.stock.back_check import forecast_against_use
from fleetstats.stock.part_changes import part_changes
from fleetstats.store import Relations, Store
from fleetstats.tables import TABLES

MONTHS = 12
#: Records needed before the forecast is made, and draws that it rests on.
LEAST_DAYS_BEFORE, DRAWS = 365, 60
_KEY = ("site_id", "component", "slot")


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
