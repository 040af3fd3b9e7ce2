"""From learned lives to each site's plan, due list, worth of a fix and starting intervals."""

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import polars as pl

from fleetstats.advice import (
    VisitPlans,
    VisitTerms,
    ages_seen,
    calendar,
    due_list,
    plan_visits,
    starting_intervals,
    weekly_load,
)
from fleetstats.advice.blocked_costs import blocked_costs
from fleetstats.advice.limit_costs import dearest_first
from fleetstats.advice.spent import SpentBy
from fleetstats.errors import SettingsError
from fleetstats.life.covariates import TYPICAL_DAILY_LITRES, water_facts
from fleetstats.life.draws import LifeDraws
from fleetstats.life.learn import ComponentLife, draws_for_new, life_ahead
from fleetstats.pipeline.in_force import TodaysRule
from fleetstats.quantities import DAYS_PER_MONTH
from fleetstats.settings import Settings
from fleetstats.store import Relations

_KINDS = ("tank_material", "roof_material", "tree_cover")
#: Use of a small, a middling and a large household, litres a day.
STARTING_LITRES = (TYPICAL_DAILY_LITRES / 2, TYPICAL_DAILY_LITRES, TYPICAL_DAILY_LITRES * 2)
#: A fix is looked at where call-outs come at least this often a year, at most at so many sites.
FIX_CALLOUTS_PER_YEAR, FIX_SITES = 1.0, 25
_KEY = ("site_id", "component", "slot")


@dataclass(frozen=True, slots=True)
class FleetPlan:
    """Everything that is advised.

    Attributes
    ----------
    units : polars frame
        The relation `in_place` with life_row, spells, failures, part prices and ages seen.
    visits : VisitPlans
    due, calendar, weekly_load, fixes, starting : polars frames
        The tables of these names.
    """

    units: pl.DataFrame
    visits: VisitPlans
    due: pl.DataFrame
    calendar: pl.DataFrame
    weekly_load: pl.DataFrame
    fixes: pl.DataFrame
    starting: pl.DataFrame


def plan_fleet(
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
    gauges: Mapping[str, SpentBy] | None = None,
    gauge_now: pl.DataFrame | None = None,
) -> FleetPlan:
    """Return the plan of every served site, its due list, and what new sites start with.

    `gauges` and `gauge_now` as in `due_list`.
    """
    # what is planned will be fitted anew, of the part usual there; what is due is in place, of its own part
    ahead = lives_ahead(relations, lives)
    units = units_with_lives(relations, ahead)
    visits = plan_visits_with(relations, settings, units, _draws(ahead), rule, price_limits=True)
    due = due_lines(relations, settings, units, visits, _draws(lives), rule, gauges, gauge_now)
    blocked = blocked_months(settings, relations.sites["site_id"].to_list())
    weeks = calendar(
        due=due,
        sites=relations.sites,
        intervals=visits.intervals,
        as_of=relations.as_of,
        lateness_days=rule.lateness_days,
        stops_per_week=settings.crew_stops_per_week,
        blocked_months=blocked,
    )
    stopped = blocked_costs(fleet=visits.priced, intervals=visits.intervals, due=due, blocked_months=blocked)
    limit_costs = dearest_first(pl.concat([visits.limit_costs, stopped.sites]))
    visits = replace(visits, limit_costs=limit_costs, blocked_total=stopped.total)
    return FleetPlan(
        units,
        visits,
        due.with_row_index("rank", offset=1).with_columns(pl.col("rank").cast(pl.Int64)),
        weeks,
        weekly_load(weeks, as_of=relations.as_of, stops_per_week=settings.crew_stops_per_week),
        _fixes(relations, settings, units, ahead, rule, visits),
        _starting(relations, settings, units, ahead, rule),
    )


def blocked_months(settings: Settings, sites: Sequence[str]) -> dict[str, frozenset[int]]:
    """Return the months without planned visits of each site that has any.

    Raises
    ------
    SettingsError
        If the settings name a site that is not on record.
    """
    for site in settings.blocked_months_at:
        if site not in set(sites):
            near = difflib.get_close_matches(site, sites, n=1, cutoff=0.0)
            raise SettingsError(
                f"settings: key 'blocked_months_at' names site '{site}', which is not on record; accepted "
                f"are site ids of the records; the nearest is '{near[0]}'; change that line"
            )
    usual = frozenset(settings.blocked_months)
    found = {site: frozenset(settings.blocked_months_at.get(site, usual)) for site in sites}
    return {site: months for site, months in found.items() if months}


def lives_ahead(relations: Relations, lives: Mapping[str, ComponentLife]) -> dict[str, ComponentLife]:
    """Return what was learned, as it holds for the part that is usually fitted at each place."""
    return {
        name: life_ahead(life, spells=relations.spells, sites=relations.sites, as_of=relations.as_of)
        for name, life in lives.items()
    }


def _draws(lives: Mapping[str, ComponentLife]) -> dict[str, LifeDraws]:
    return {name: life.lives for name, life in lives.items()}


def plan_visits_with(
    relations: Relations,
    settings: Settings,
    units: pl.DataFrame,
    draws: Mapping[str, LifeDraws],
    rule: TodaysRule,
    sites: pl.DataFrame | None = None,
    *,
    price_limits: bool = False,
) -> VisitPlans:
    """Return the plans under other draws, or with fewer sites served than the relation `sites` says."""
    return plan_visits(
        sites=relations.sites if sites is None else sites,
        units=units,
        lives=draws,
        components=rule.terms,
        terms=_visit_terms(settings, rule),
        as_of=relations.as_of,
        months_seen=_months_seen(relations),
        site_limits=relations.site_limits,
        decisions=relations.decisions,
        price_limits=price_limits,
    )


def due_lines(
    relations: Relations,
    settings: Settings,
    units: pl.DataFrame,
    visits: VisitPlans,
    draws: Mapping[str, LifeDraws],
    rule: TodaysRule,
    gauges: Mapping[str, SpentBy] | None = None,
    gauge_now: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Return the due list of the plans; units as in `FleetPlan`, gauges and gauge_now as in `due_list`."""
    return due_list(
        sites=relations.sites,
        units=units,
        visits=relations.visits,
        intervals=visits.intervals,
        lives=draws,
        components=rule.terms,
        as_of=relations.as_of,
        lateness_days=rule.lateness_days,
        gauges=gauges,
        gauge_now=gauge_now,
        changes=relations.changes,
        blocked_months=blocked_months(settings, relations.sites["site_id"].to_list()),
    )


def _visit_terms(settings: Settings, rule: TodaysRule) -> VisitTerms:
    return VisitTerms(
        trip_cost=settings.trip_cost,
        callout_cost=settings.callout_cost,
        current_visit_days=rule.visit_days,
        lateness_days=rule.lateness_days,
        local_rule_days=settings.local_rule_days,
        shortest_visit_days=settings.shortest_visit_days,
        longest_visit_days=settings.longest_visit_days,
        beyond_records=settings.beyond_records,
    )


def _months_seen(relations: Relations) -> float:
    first = relations.visits.select(pl.col("visit_date").min()).item()
    return float((relations.as_of - first).days / DAYS_PER_MONTH)


def units_with_lives(relations: Relations, lives: Mapping[str, ComponentLife]) -> pl.DataFrame:
    """Return the relation in_place with what the advice needs of each unit that the settings define."""
    learned = [
        life.units.select(
            *_KEY,
            pl.int_range(pl.len(), dtype=pl.Int64).alias("life_row"),
            "spells",
            "failures",
            life.lives.median_life()["median_days"],
        )
        for life in lives.values()
    ]
    prices = relations.parts.select(
        "part_number", "rated_life_days", pl.col("unit_cost").alias("planned_cost")
    ).unique("part_number", keep="first", maintain_order=True)
    units = relations.in_place.join(pl.concat(learned), on=_KEY, how="inner", maintain_order="left").join(
        prices, on="part_number", how="left", maintain_order="left"
    )
    return ages_seen(spells=relations.spells, units=units)


def _fixes(
    relations: Relations,
    settings: Settings,
    units: pl.DataFrame,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
    visits: VisitPlans,
) -> pl.DataFrame:
    """Return, for sites with most call-outs, their cost a year now and if parts lasted as at their like."""
    many = (
        visits.plans.filter(pl.col("callouts_per_year_current") >= FIX_CALLOUTS_PER_YEAR)
        .sort("callouts_per_year_current", "site_id", descending=[True, False])
        .head(FIX_SITES)
    )
    chosen = many["site_id"].to_list()
    # what the records can carry is judged by the whole fleet: all units go in, only these sites are planned
    sites = relations.sites.with_columns(served=pl.col("served") & pl.col("site_id").is_in(chosen))
    alike = {name: life.alike for name, life in lives.items()}
    like = (
        plan_visits_with(relations, settings, units, alike, rule, sites).plans
        if chosen
        else visits.plans.filter(pl.lit(False))
    )
    cost = pl.col("cost_per_year_like")
    return (
        many.select("site_id", "callouts_per_year", "cost_per_year", "low", "high")
        .join(
            like.select("site_id", pl.col("cost_per_year").alias("cost_per_year_like")),
            on="site_id",
            how="inner",
            maintain_order="left",
        )
        .with_columns(
            (pl.col("cost_per_year") - cost).alias("worth_per_year"),
            (pl.col("low") - cost).clip(0).alias("worth_low"),
            (pl.col("high") - cost).clip(0).alias("worth_high"),
        )
        .drop("low", "high")
    )


def _starting(
    relations: Relations,
    settings: Settings,
    units: pl.DataFrame,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
) -> pl.DataFrame:
    """Return the starting intervals of the cartridges, for the kinds of site that the records know."""
    levels = [sorted(relations.sites[kind].drop_nulls().unique().to_list()) for kind in _KINDS]
    grid = pl.DataFrame(
        list(product(*levels, STARTING_LITRES)),
        schema={**dict.fromkeys(_KINDS, pl.String), "daily_litres": pl.Float64},
        orient="row",
    )
    water = [name for name, life in lives.items() if set(_KINDS) & set(life.coding.levels)]
    if grid.is_empty() or not water:
        return pl.DataFrame()
    facts = water_facts(
        grid.with_columns(
            site_id=pl.int_range(pl.len()).cast(pl.String), part_number=pl.lit(None, pl.String)
        ),
        _invented_sites(grid),
    )
    combinations, draws = [], {}
    for name in water:
        draws[name] = draws_for_new(lives[name], facts)
        combinations.append(_seen_like(name, grid, relations, draws[name], units))
    return starting_intervals(
        combinations=pl.concat(combinations),
        lives=draws,
        components=rule.terms,
        terms=_visit_terms(settings, rule),
    )


def _invented_sites(grid: pl.DataFrame) -> pl.DataFrame:
    """Return one row a kind of site, shaped like the relation `sites`, with nothing else known."""
    return grid.with_columns(
        site_id=pl.int_range(pl.len()).cast(pl.String),
        tank_installed=pl.lit(None, pl.Date),
        occupants=pl.lit(None, pl.Float64),
        hardness_mg_l=pl.lit(None, pl.Float64),
        first_flush=pl.lit(None, pl.Boolean),
    )


def _seen_like(
    component: str, grid: pl.DataFrame, relations: Relations, draws: LifeDraws, units: pl.DataFrame
) -> pl.DataFrame:
    """Return the kinds of site with how many sites and spells of each were seen, and to what age."""
    own = relations.spells.filter(pl.col("component") == component)
    counts = (
        own.join(relations.sites.select("site_id", *_KINDS), on="site_id", how="left")
        .group_by(_KINDS)
        .agg(
            pl.col("site_id").n_unique().cast(pl.Int64).alias("sites"),
            pl.len().cast(pl.Int64).alias("spells"),
        )
    )
    kinds = grid.with_columns(
        pl.format("kind {}", pl.int_range(pl.len())).alias("site_id"),
        pl.lit(component).alias("component"),
        pl.int_range(pl.len(), dtype=pl.Int64).alias("life_row"),
        draws.median_life()["median_days"],
    )
    known = units.filter(pl.col("component") == component).select("site_id", "component", "median_days")
    both = pl.concat([kinds.select(known.columns), known])
    seen = ages_seen(spells=own, units=both)["seen_days"].head(grid.height)
    return (
        kinds.with_columns(seen)
        .join(counts, on=_KINDS, how="left", maintain_order="left")
        .with_columns(pl.col("sites", "spells").fill_null(0))
    )
