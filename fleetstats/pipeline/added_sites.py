"""Invents the sites yet to be added: equipped like the fleet, lives of their kind, starting intervals."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from fleetstats.life.covariates import water_facts
from fleetstats.life.draws import LifeDraws
from fleetstats.life.learn import ComponentLife
from fleetstats.life.predict import draw_lives
from fleetstats.pipeline.in_force import TodaysRule
from fleetstats.pipeline.plans import FleetPlan
from fleetstats.store import Relations

_KINDS = ("tank_material", "roof_material", "tree_cover")
_SEED = 2_611


@dataclass(frozen=True, slots=True)
class AddedSites:
    """Units at sites that are yet to be added; rows of `units`, `plans` and `current_plans` agree.

    Attributes
    ----------
    units : polars frame
        As `monthly_demand` takes them, with joins_on; life_row counts on from the fleet's own draws.
    plans, current_plans : polars frame
    lives : mapping of component to LifeDraws
        The fleet's own draws with those of the added units beneath.
    """

    units: pl.DataFrame
    plans: pl.DataFrame
    current_plans: pl.DataFrame
    lives: Mapping[str, LifeDraws]


def joining_dates(as_of: date, *, months: int, sites_per_month: float) -> list[date]:
    """Return the day on which each added site joins: as many a month as said, evenly over its days."""
    after = as_of.year * 12 + as_of.month
    days: list[date] = []
    for number in range(months):
        place = after + number
        first = date(place // 12, place % 12 + 1, 1)
        length = (date((place + 1) // 12, (place + 1) % 12 + 1, 1) - first).days
        joining = int((number + 1) * sites_per_month + 1e-9) - int(number * sites_per_month + 1e-9)
        days += [first + timedelta(days=int((k + 0.5) * length / joining)) for k in range(joining)]
    return days


def added_sites(
    relations: Relations,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
    plan: FleetPlan,
    *,
    joins: list[date],
    seeds: Mapping[str, int],
) -> AddedSites:
    """Return the units of sites that join on these days.

    Each takes after a served site chosen at random: its tank, roof, trees and household, its components and
    their parts. What is known of that site's own effect is left behind: the lives are those of any site like
    it. Cartridges start on the starting interval of that kind of site, the rest on today's rule.

    Parameters
    ----------
    relations, lives, rule, plan
    joins : list of date
        One for each site.
    seeds : mapping of component to int
        With which the fleet's own lives were drawn.
    """
    held = plan.units.filter(pl.col("served") & ~pl.col("removed"))
    models = held["site_id"].unique().sort()
    picked = np.random.default_rng(_SEED).integers(0, models.len(), len(joins))
    chosen = pl.DataFrame({"model_id": models.gather(picked), "joins_on": joins}).with_columns(
        site_id=pl.format("added {}", pl.int_range(pl.len()))
    )
    units = chosen.join(
        held.rename({"site_id": "model_id"}).drop("life_row"), on="model_id", maintain_order="left"
    ).with_columns(age_days=pl.lit(0.0), survived_days=pl.lit(0.0), spent_seen=pl.lit(False))
    drawn, rows = {}, []
    for name, life in lives.items():
        own = units.filter(pl.col("component") == name)
        drawn[name], numbered = _with_lives(life, own, relations, seeds[name])
        rows.append(numbered)
    units = pl.concat(rows)
    visit = _visit_days(units, relations.sites, plan.starting, rule)
    return AddedSites(units, _plans(units, visit, rule), _plans(units, None, rule), drawn)


def _with_lives(
    life: ComponentLife, own: pl.DataFrame, relations: Relations, seed: int
) -> tuple[LifeDraws, pl.DataFrame]:
    """Return the fleet's draws with those of `own` beneath, and `own` with its rows in them.

    Seed and number of draws are those of the fleet's: the parameters of each draw are the same, so that what
    is unknown of all sites moves old and added ones together.
    """
    known = life.lives
    numbered = own.with_columns(life_row=pl.int_range(pl.len(), dtype=pl.Int64) + known.location.shape[0])
    if own.is_empty():
        return known, numbered
    facts = water_facts(
        own.select(pl.col("model_id").alias("site_id"), "part_number", fitted_on="joins_on"), relations.sites
    )
    coded = life.coding.frame(facts)
    drawn = draw_lives(
        life.average,
        covariates=coded if coded.width else None,
        sites=own["site_id"].to_list(),
        draws=known.scale.size,
        seed=seed,
    )
    location = np.vstack([known.location, drawn.location])
    effect = np.vstack([known.site_effect, drawn.site_effect])
    return LifeDraws(known.family, location, known.scale, effect), numbered


def _visit_days(
    units: pl.DataFrame, sites: pl.DataFrame, starting: pl.DataFrame, rule: TodaysRule
) -> pl.DataFrame:
    """Return site_id and the days between visits: the shortest starting interval of its components."""
    kinds = units.select("site_id", "component", "model_id").join(
        sites.select(*_KINDS, "daily_litres", model_id="site_id"), on="model_id", how="left"
    )
    found = pl.DataFrame(schema={"site_id": pl.String, "days": pl.Float64})
    if starting.height:
        litres = pl.col("daily_litres").fill_null(starting["daily_litres"].median())
        near = kinds.with_columns(litres.alias("litres")).join(
            starting.select("component", *_KINDS, "daily_litres", "interval_days"),
            on=["component", *_KINDS],
            how="inner",
            suffix="_of_kind",
        )
        apart = (pl.col("daily_litres_of_kind").log() - pl.col("litres").log()).abs()
        found = (
            near.sort("site_id", "component", apart)
            .unique(["site_id", "component"], keep="first", maintain_order=True)
            .group_by("site_id")
            .agg(pl.col("interval_days").min().cast(pl.Float64).alias("days"))
        )
    everyone = kinds.select("site_id").unique()
    return everyone.join(found, on="site_id", how="left").with_columns(
        pl.col("days").fill_null(rule.visit_days)
    )


def _plans(units: pl.DataFrame, visit: pl.DataFrame | None, rule: TodaysRule) -> pl.DataFrame:
    """Return the units' plans: visits at these days, or by today's rule where none are given."""
    days = pl.DataFrame({"site_id": units["site_id"].unique()}).with_columns(days=pl.lit(rule.visit_days))
    own = units.join(days if visit is None else visit, on="site_id", how="left", maintain_order="left")
    interval = pl.col("component").replace_strict(
        {name: terms.current_interval_days for name, terms in rule.terms.items()}, return_dtype=pl.Float64
    )
    every_n = (interval / pl.col("days")).floor().clip(lower_bound=1).cast(pl.Int64)
    return own.select(
        "site_id",
        "component",
        "slot",
        visit_interval_days="days",
        every_n_visits=every_n,
        hard_limit_days=pl.lit(None, pl.Float64),
        next_visit_on=pl.col("joins_on") + pl.duration(days=pl.col("days").round().cast(pl.Int64)),
    )
