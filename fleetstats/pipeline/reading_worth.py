"""Lays out what reading pressures would be worth at the sites where nobody does, from these records."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

import numpy as np
import polars as pl

from fleetstats.advice.evidence import DUE_LIST_ONLY
from fleetstats.advice.reading_worth import Stage, Worth, drops_at_visits, reading_worth
from fleetstats.life.blocking import Blocking
from fleetstats.life.learn import ComponentLife
from fleetstats.pipeline.gauge_stops import ONLY_PRESSURE
from fleetstats.pipeline.in_force import TodaysRule
from fleetstats.pipeline.plans import FleetPlan, lives_ahead
from fleetstats.quantities import FloatArray
from fleetstats.settings import Settings
from fleetstats.store import Relations
from fleetstats.tables import TABLES

#: A site whose pressures nobody has read for so long counts as not read.
UNREAD_DAYS: Final = 365
#: Worked out for so many sites at most, evenly over the unread ones; sums are raised to all of them.
MOST_SITES: Final = 300
_RANGED: Final = ("callouts_fewer", "cartridges_fewer", "saved_per_year")


@dataclass(frozen=True, slots=True, eq=False)
class _Kind:
    """Unread cartridges of one kind: rows of the plan's units with their intervals, and their stage."""

    rows: pl.DataFrame
    stage: Stage


def reading_worth_table(
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
    plan: FleetPlan,
) -> pl.DataFrame:
    """Return what two gauges at every unread site would be worth a year, by component and in all.

    Returns
    -------
    polars frame
        component (null: all of them), sites_served, sites_read (a pressure was read within a year), sites
        (unread ones that it holds for), sites_alike (unread ones left out because two cartridges of a kind
        stand there; the others left out have none with a plan), callouts_fewer, cartridges_fewer,
        saved_per_year, each with its 90 % range _low and _high, spells and failures (that the lives rest on),
        law_learned (how cartridges block was learned here; else it is common practice, as are spread and
        gauge_error_kpa). Empty where all sites are read, or the records are too few for advice.
    """
    served = relations.sites.filter(pl.col("served"))["site_id"]
    read = relations.readings.filter(
        pl.col("fault").is_null() & (pl.col("visit_date") > relations.as_of - timedelta(days=UNREAD_DAYS))
    )["site_id"].unique()
    unread, sites, alike = _in_line(
        plan, _known(settings, plan), served.filter(~served.is_in(read.to_list()))
    )
    kinds = _kinds(unread, settings, lives_ahead(relations, lives), lives, rule)
    if not kinds:
        return TABLES["reading_worth"].of()
    counts = {
        "sites_served": served.len(), "sites_read": served.is_in(read.to_list()).sum(), "sites": sites,
        "sites_alike": alike,
    }  # fmt: skip
    sampled = unread["site_id"].n_unique()
    sums = {name: _sums(worth) * sites / sampled for name, worth in _worths(kinds, settings).items()}
    rows = [
        {"component": name, **counts, **_ranged(found), **_basis(name, plan, lives[name], kinds[name])}
        for name, found in sums.items()
    ]
    rows.append({"component": None, **counts, **_ranged(np.sum(list(sums.values()), axis=0))})
    return TABLES["reading_worth"].of(rows)


def _known(settings: Settings, plan: FleetPlan) -> list[str]:
    """Return the components whose blocking a gauge shows and of which enough is on record."""
    few = plan.visits.levels.filter(pl.col("level") == DUE_LIST_ONLY)["component"].to_list()
    return [
        name
        for name, terms in settings.components.items()
        if terms.pressure_limit_kpa is not None and terms.announced and name not in few
    ]


def _in_line(plan: FleetPlan, known: list[str], unread: pl.Series) -> tuple[pl.DataFrame, int, int]:
    """Return the cartridges of some unread sites, evenly over them; how many sites they stand for; left out.

    Sites with two of a kind are passed over: whether these stand in line or side by side nobody knows.
    """
    plans = plan.visits.intervals.drop_nulls("failure_chance").select(
        "site_id", "component", "slot", "visit_interval_days", "every_n_visits", "hard_limit_days"
    )
    rows = (
        plan.units.filter(
            pl.col("component").is_in(known)
            & pl.col("site_id").is_in(unread.to_list())
            & ~pl.col("removed").fill_null(False)
        )
        .join(plans, on=["site_id", "component", "slot"], how="inner")
        .sort("site_id", "component", "slot")
    )
    planned = rows["site_id"].n_unique()
    rows = rows.filter((pl.len().over("site_id", "component") == 1) & (pl.len().over("site_id") <= 2))
    sites = rows["site_id"].unique().sort()
    some = sites.gather_every(max(1, -(-sites.len() // MOST_SITES)))
    return rows.filter(pl.col("site_id").is_in(some.to_list())), sites.len(), planned - sites.len()


def _kinds(
    unread: pl.DataFrame,
    settings: Settings,
    ahead: Mapping[str, ComponentLife],
    lives: Mapping[str, ComponentLife],
    rule: TodaysRule,
) -> dict[str, _Kind]:
    found = {}
    for (name,), rows in unread.group_by("component", maintain_order=True):
        component = str(name)
        terms, gauge = settings.component(component), lives[component].gauge
        limit = terms.pressure_limit_kpa or np.inf
        draws = ahead[component].lives
        own = rows["life_row"].to_numpy().astype(np.intp)
        stage = Stage(
            replace(draws, location=draws.location[own], site_effect=draws.site_effect[own]),
            rows["visit_interval_days"].cast(pl.Float64).to_numpy(),
            rows["every_n_visits"].cast(pl.Int64).to_numpy(),
            rows["planned_cost"].cast(pl.Float64).fill_null(rule.terms[component].planned_cost).to_numpy(),
            rows["hard_limit_days"].cast(pl.Float64).fill_null(np.inf).to_numpy(),
            Blocking(limit) if gauge is None else gauge.blocking,
            set(terms.callout_causes) <= ONLY_PRESSURE and terms.failure_chance_limit >= 1,
        )
        found[component] = _Kind(rows, stage)
    return found


def _worths(kinds: Mapping[str, _Kind], settings: Settings) -> dict[str, Worth]:
    """Return the worth of each kind, what the other stage at each site may take counted in."""
    told = {name: drops_at_visits(kind.stage) for name, kind in kinds.items()}
    found = {}
    for name, kind in kinds.items():
        here = {site: row for row, site in enumerate(kind.rows["site_id"].to_list())}
        kpa, often = np.zeros_like(told[name][0]), np.zeros_like(told[name][1])
        often[:, 0] = 1.0
        for other, beside in kinds.items():
            if other == name:
                continue
            for row, site in enumerate(beside.rows["site_id"].to_list()):
                if site in here:
                    kpa[here[site]], often[here[site]] = told[other][0][row], told[other][1][row]
        found[name] = reading_worth(
            kind.stage, callout_cost=settings.callout_cost, other_kpa=kpa, other_often=often
        )
    return found


def _sums(worth: Worth) -> FloatArray:
    """Return call-outs, cartridges and money over all cartridges, draw by draw, (3, D)."""
    return np.stack([values.sum(axis=0) for values in (worth.callouts, worth.renewals, worth.money)])


def _ranged(sums: FloatArray) -> dict[str, float]:
    found: dict[str, float] = {}
    for name, draws in zip(_RANGED, sums, strict=True):
        low, high = np.quantile(draws, (0.05, 0.95))
        found |= {name: float(draws.mean()), f"{name}_low": float(low), f"{name}_high": float(high)}
    return found


def _basis(name: str, plan: FleetPlan, life: ComponentLife, kind: _Kind) -> dict[str, object]:
    counts = plan.visits.levels.row(by_predicate=pl.col("component") == name, named=True)
    return {
        "spells": counts["spells"],
        "failures": counts["failures"],
        "law_learned": life.gauge is not None,
        "spread": kind.stage.blocking.spread,
        "gauge_error_kpa": kind.stage.blocking.gauge_kpa,
    }
