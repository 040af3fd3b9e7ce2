"""Replays the records from past dates: what would have been foretold, and cost, against what followed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl

from fleetstats.errors import StoreError
from fleetstats.life.learn import FAMILIES_WEIGHED, ComponentLife, learn_component, lifetimes
from fleetstats.pipeline.forecast import todays_plans
from fleetstats.pipeline.in_force import todays_rule
from fleetstats.pipeline.plans import due_lines, plan_visits_with, units_with_lives
from fleetstats.quantities import FloatArray
from fleetstats.settings import Settings
from fleetstats.store import Relations, Store
from fleetstats.tables import TABLES
from fleetstats.trust.calibration import count_range
from fleetstats.trust.policy_cost import Prices, policy_cost
from fleetstats.trust.replay import Origin, Rivals, replay
from fleetstats.trust.second_opinion import second_opinion

#: How far ahead each forecast is followed: about one visit of the customary rule, and two.
HORIZONS_DAYS = (182, 364)
#: Records needed before the first origin, and the time between origins.
LEAST_DAYS_BEFORE, STEP_DAYS = 365, 182
DRAWS = 60
#: The names of the two policies in the table `policy_costs`, and the replicates that price them.
RULE, PLAN = "rule", "plan"
REPLICATES = 40
_KEY = ("site_id", "component", "slot")


def look_back(
    store: Store,
    settings: Settings,
    *,
    as_of: date,
    most_origins: int,
    progress: Callable[[str], None],
    now: Relations | None = None,
) -> dict[str, pl.DataFrame]:
    """Return replay, calibration, calibration_tenths and policy_costs: how past forecasts and plans fared.

    All are without rows where the records are too short.

    Parameters
    ----------
    store : Store
    settings : Settings
    as_of : date
        Nothing later is looked at.
    most_origins : int
        Origins, half a year apart, the latest one visit interval before `as_of`.
    progress : callable
    now : Relations, optional
        The records as of `as_of`, where they have been made already.
    """
    origins, then = [], {}
    on = _made_once(store, settings, now)
    for day in _origins(store, as_of, most_origins):
        progress(f"looking back from {day}")
        known = on(day)
        then[day] = known
        after = {
            horizon: on(day + timedelta(days=horizon)).spells
            for horizon in HORIZONS_DAYS
            if day + timedelta(days=horizon) <= as_of
        }
        origins.append(Origin(day, known.in_place, after))
    if not origins:
        return dict.fromkeys(("replay", "calibration", "calibration_tenths", "policy_costs"), pl.DataFrame())
    learned: dict[date, dict[str, ComponentLife]] = {day: {} for day in then}

    def learn(day: date, component: str, units: pl.DataFrame) -> Rivals:
        model, rivals = _rivals(then[day], settings, component, units)
        learned[day][component] = model
        return rivals

    announced = {name: terms.announced for name, terms in settings.components.items()}
    found = replay(origins, learn=learn, announced=announced)
    costs = [past_costs(origin, then[origin.origin], settings, learned[origin.origin]) for origin in origins]
    return {
        "replay": found.scores,
        "calibration": found.calibration,
        "calibration_tenths": tenths(found.calibration),
        "policy_costs": pl.concat(costs),
    }


def second_opinions(now: Relations, families: Sequence[str] = FAMILIES_WEIGHED) -> pl.DataFrame:
    """Return an independent library's fit of every component's spells beside ours, the whole fleet as one."""
    opinions = [
        second_opinion(component, lifetimes(spells.sort("spell_id"), pl.DataFrame()), families)
        for (component,), spells in now.spells.sort("component").group_by("component", maintain_order=True)
    ]
    return pl.concat([TABLES["second_opinion"].of(), *opinions])


def _made_once(store: Store, settings: Settings, now: Relations | None) -> Callable[[date], Relations]:
    """Return how to get the records as of a day: what followed one origin is what was known at the next."""
    made = {} if now is None else {now.as_of: now}

    def on(day: date) -> Relations:
        if day not in made:
            made[day] = store.relations(as_of=day, settings=settings)
        return made[day]

    return on


def _origins(store: Store, as_of: date, most: int) -> list[date]:
    first = store.run("SELECT min(visit_date) FROM records.visits")[0][0]
    if first is None:
        raise StoreError(f"store {store.path}: holds no visits yet; load records first: fleetstats load PATH")
    days = [as_of - timedelta(days=STEP_DAYS * back) for back in range(1, most + 1)]
    return sorted(day for day in days if (day - first).days >= LEAST_DAYS_BEFORE)


def _rivals(
    known: Relations, settings: Settings, component: str, units: pl.DataFrame
) -> tuple[ComponentLife, Rivals]:
    def learned(*, facts: bool, site_effect: bool) -> ComponentLife:
        return learn_component(
            settings.component(component),
            spells=known.spells,
            units=units.select("site_id", "chapter", "component", "slot", "part_number"),
            sites=known.sites,
            as_of=known.as_of,
            draws=DRAWS,
            facts_used=facts,
            site_effect=site_effect,
        )

    model = learned(facts=True, site_effect=True)
    cohort, fleet = (learned(facts=facts, site_effect=False).lives for facts in (True, False))
    return model, Rivals(model=model.lives, cohort=cohort, fleet=fleet)


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


def tenths(calibration: pl.DataFrame) -> pl.DataFrame:
    """Return for each component and tenth of risk the share foretold and the share that came.

    Units are followed for unequal times and renewed within them, so failures are held against the hazard
    met, H; 1 - exp(-H) is the chance over the mean time followed. `expected` is the hazard that all fittings
    of a tenth met: how many of them should have been spent in the time that each was followed.
    """
    if calibration.is_empty():
        return pl.DataFrame()
    shortest = calibration["horizon_days"].min()
    groups = (
        calibration.filter(pl.col("horizon_days") == shortest)
        .group_by("component", "group")
        .agg(pl.col("units", "expected", "failures").sum())
        .sort("component", "group")
    )
    low, high = count_range(groups["failures"].to_numpy(), 0.90)
    units = groups["units"].to_numpy()
    return groups.select(
        "component",
        pl.Series("predicted", _chance(groups["expected"].to_numpy() / units)),
        pl.Series("happened", _chance(groups["failures"].to_numpy() / units)),
        pl.Series("happened_low", _chance(low / units)),
        pl.Series("happened_high", _chance(high / units)),
        "units",
        "expected",
        "failures",
    ).sort("component", "predicted")


def _chance(hazard: FloatArray) -> FloatArray:
    """Return the chance of an end under a cumulative hazard; a plain 0 for none, not minus 0."""
    return 0.0 - np.expm1(-hazard)
