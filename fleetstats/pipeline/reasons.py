"""Lays out why units came out, and when more of them failed than their lives foretell, as tables."""

from collections.abc import Mapping
from datetime import date

import polars as pl

from fleetstats.life.covariates import water_facts
from fleetstats.life.learn import ComponentLife, draws_for_spells
from fleetstats.life.removals import removals
from fleetstats.settings import Settings
from fleetstats.store import Relations
from fleetstats.tables import TABLES
from fleetstats.trust.against_curve import Watched, by_calendar, early_deaths, watched

DRAWS = 40


def reason_tables(
    lives: Mapping[str, ComponentLife], relations: Relations, settings: Settings
) -> dict[str, pl.DataFrame]:
    """Return the tables removals, early_deaths, lives_by_year and lives_by_month.

    The last three are of announced kinds alone: on which day a hidden failure came nobody knows.
    """
    gone = [
        removals(
            name,
            spells=relations.spells,
            left_out=relations.left_out,
            sites=relations.sites,
            as_of=relations.as_of,
        )
        for name in lives
    ]
    first = relations.visits["visit_date"].min()
    seen = [
        _watched(life, relations)
        for name, life in lives.items()
        if settings.component(name).announced and life.failures
    ]
    calendar = [
        by_calendar(one, first=first, last=relations.as_of) for one in seen if isinstance(first, date)
    ]
    found = {
        "removals": gone,
        "early_deaths": [early_deaths(one) for one in seen],
        "lives_by_year": [years for years, _ in calendar],
        "lives_by_month": [months for _, months in calendar],
    }
    return {name: pl.concat([TABLES[name].of(), *frames]) for name, frames in found.items()}


def _watched(life: ComponentLife, relations: Relations) -> Watched:
    own = relations.spells.filter(pl.col("component") == life.component).sort("spell_id")
    return watched(
        life.component, own, draws_for_spells(life, own, water_facts(own, relations.sites), draws=DRAWS)
    )
