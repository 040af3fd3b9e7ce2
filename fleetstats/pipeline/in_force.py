"""Today's rule, as it stands and as it is practised: from the settings, else off the records."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import polars as pl

from fleetstats.advice import ComponentTerms, infer_current_rule, usual_lateness
from fleetstats.advice.practice import renewed_young, todays_practice
from fleetstats.advice.prices import every_n_today
from fleetstats.components import Component
from fleetstats.errors import SettingsError, StoreError
from fleetstats.settings import Settings, settings_from, settings_toml
from fleetstats.store import Relations, Store
from fleetstats.tables import TABLES


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
    return TodaysRule(visit_days, lateness, terms, TABLES["todays_rule"].of(told), practice)


def component_terms(
    own: Component, current_interval_days: float, renewed_young: tuple[float, float] = (0.0, 0.0)
) -> ComponentTerms:
    """Return a component with today's rule and practice."""
    told = {item.name: getattr(own, item.name) for item in fields(Component)}
    return ComponentTerms(
        **{**told, "current_interval_days": current_interval_days}, renewed_young=renewed_young
    )


def settings_table(settings: Settings) -> pl.DataFrame:
    """Return the table that keeps the settings an analysis was made with."""
    return pl.DataFrame({"toml": [settings_toml(settings)]})


def settings_used(store: Store) -> Settings:
    """Return the settings that the last analysis of a store was made with.

    Raises
    ------
    StoreError
        If this version does not accept them.
    """
    try:
        return settings_from(tomllib.loads(str(store.table("settings_used")["toml"][0])), "the last analysis")
    except (SettingsError, tomllib.TOMLDecodeError) as exc:
        raise StoreError(
            f"store {store.path}: the settings of its last analysis are not accepted by this version "
            f"({exc}); run: fleetstats analyse"
        ) from exc
