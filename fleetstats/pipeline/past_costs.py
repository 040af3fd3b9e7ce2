"""Prices today's rule and the plan of a past date on the lives that followed it."""

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from fleetstats.life.learn import ComponentLife
from fleetstats.pipeline.forecast import todays_plans
from fleetstats.pipeline.in_force import todays_rule
from fleetstats.pipeline.plans import due_lines, plan_visits_with, units_with_lives
from fleetstats.settings import Settings
from fleetstats.store import Relations
from fleetstats.tables import TABLES
from fleetstats.trust import Origin, Prices, policy_cost

#: The names of the two policies in the table.
RULE, PLAN = "rule", "plan"
REPLICATES = 40
_KEY = ("site_id", "component", "slot")


def past_costs(
    then: Origin, known: Relations, settings: Settings, lives: Mapping[str, ComponentLife]
) -> pl.DataFrame:
    """Return what the rule kept then and the plan made then would have cost, for each horizon.

    Both start from the same next visit. The plan is made from what was known then, learned as for the replay.

    Parameters
    ----------
    then : Origin
    known : Relations
        As of the origin.
    settings : Settings
    lives : mapping of component to ComponentLife
        Learned from `known`, units as the component's rows of `known.in_place`.

    Returns
    -------
    polars frame
        The table `policy_costs`.
    """
    rule = todays_rule(known, settings)
    draws = {name: life.lives for name, life in lives.items() if name in rule.terms}
    if not draws:
        return TABLES["policy_costs"].of()
    units = units_with_lives(known, lives)
    visits = plan_visits_with(known, settings, units, draws, rule)
    due = due_lines(known, settings, units, visits, draws, rule)
    plans = visits.intervals.select(*_KEY, "visit_interval_days", "every_n_visits", "hard_limit_days").join(
        due.select(*_KEY, next_visit_on="visit_from"), on=_KEY, how="inner", maintain_order="left"
    )
    if plans.is_empty():
        return TABLES["policy_costs"].of()
    found = [
        policy_cost(
            replace(then, in_place=_planned_alone(then.in_place, plans)),
            horizon_days=horizon,
            policies={RULE: todays_plans(plans, rule), PLAN: plans},
            lives=draws,
            announced={name: rule.terms[name].announced for name in draws},
            prices=_prices(settings, list(draws)),
            lateness_days=rule.lateness_days,
            replicates=REPLICATES,
        )
        for horizon in then.spells_after
    ]
    return pl.concat(found) if found else TABLES["policy_costs"].of()


def _planned_alone(in_place: pl.DataFrame, plans: pl.DataFrame) -> pl.DataFrame:
    """Return the units with those that have no plan passed over; rows stay where the draws have them."""
    has_plan = plans.select(*_KEY, has_plan=pl.lit(True))
    known = in_place.join(has_plan, on=_KEY, how="left", maintain_order="left")
    return known.with_columns(served=pl.col("served") & pl.col("has_plan").fill_null(False)).drop("has_plan")


def _prices(settings: Settings, components: list[str]) -> Prices:
    terms = {name: settings.component(name) for name in components}
    return Prices(
        trip=settings.trip_cost,
        callout=settings.callout_cost,
        part={name: own.planned_cost for name, own in terms.items()},
        unseen_day={name: own.hidden_day_cost for name, own in terms.items()},
    )
