"""Today's rule, as it stands and as it is practised: from the settings, else off the records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.advice import ComponentTerms, infer_current_rule, usual_lateness
from fleetstats.advice.practice import renewed_young, todays_practice
from fleetstats.advice.prices import every_n_today
from fleetstats.settings import ComponentSettings, Settings
from fleetstats.store import Relations


@dataclass(frozen=True, slots=True)
class TodaysRule:
    """Today's rule and how well it is kept; each value with where it comes from.

    Attributes
    ----------
    visit_days, lateness_days : float
    terms : mapping of component to ComponentTerms
    told : polars frame
        item, days, origin: for the pages.
    practice : polars frame
        How often planned visits renew young units all the same (`todays_practice`).
    """

    visit_days: float
    lateness_days: float
    terms: Mapping[str, ComponentTerms]
    told: pl.DataFrame
    practice: pl.DataFrame


def todays_rule(relations: Relations, settings: Settings) -> TodaysRule:
    """Return the rule in force today: from the settings where they say, else read off the records."""
    held = set(relations.in_place["component"])
    known = [name for name in settings.components if name in held]
    found = infer_current_rule(
        visits=relations.visits,
        spells=relations.spells,
        components=known,
        customary_days={name: settings.component(name).customary_days for name in known},
    )
    rows = {row["component"]: row for row in found.intervals.iter_rows(named=True)}
    intervals, told = {}, []
    for name in known:
        given = settings.component(name).current_interval_days
        intervals[name] = given or rows[name]["current_interval_days"]
        told.append((name, intervals[name], "settings" if given else rows[name]["origin"]))
    stated = [settings.component(name).current_interval_days for name in known]
    given_days = [days for days in stated if days is not None]
    visit_days = min(given_days) if given_days else found.visit_interval_days
    practice = todays_practice(
        visits=relations.visits,
        spells=relations.spells,
        visit_days=visit_days,
        every_n={name: int(every_n_today(days, np.array(visit_days))) for name, days in intervals.items()},
        as_of=relations.as_of,
    )
    terms = {
        name: component_terms(settings.component(name), days, renewed_young(practice, name))
        for name, days in intervals.items()
    }
    late = usual_lateness(relations.visits, visit_days)
    lateness = late.days if settings.lateness_days is None else settings.lateness_days
    told.append(("visit", visit_days, "settings" if given_days else found.visit_origin))
    told.append(("lateness", lateness, late.origin if settings.lateness_days is None else "settings"))
    schema = {"item": pl.String, "days": pl.Float64, "origin": pl.String}
    frame = pl.DataFrame(told, schema=schema, orient="row")
    return TodaysRule(visit_days, lateness, terms, frame, practice)


def component_terms(
    own: ComponentSettings, current_interval_days: float, renewed_young: tuple[float, float] = (0.0, 0.0)
) -> ComponentTerms:
    """Return what the advice must be told of a component, from its settings, today's rule and practice."""
    return ComponentTerms(
        own.name,
        announced=own.announced,
        planned_cost=own.planned_cost,
        hidden_day_cost=own.hidden_day_cost,
        current_interval_days=current_interval_days,
        renewed_young=renewed_young,
        customary_days=own.customary_days,
        ceiling_days=own.ceiling_days,
        rated_life_days=own.rated_life_days,
        failure_chance_limit=own.failure_chance_limit,
        source=own.source,
        cleaned="cleaned" in own.renewed_by,
    )
