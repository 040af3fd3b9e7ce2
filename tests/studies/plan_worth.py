"""Prices plans against invented truth: the firm's rule, one curve, cohorts, the plan, the best there is.

Run by hand, for instance:

    python -m tests.studies.plan_worth --sites 400 --stories mixed calm --seeds 1 2 3

Prints one markdown row a story and size: cost per site-year of each, and the excess, sum of (plan - best)
over sum of (rule - best), with its standard error. The rivals know less: one curve for the whole fleet, or
cohorts by tank, roof and trees without anything of a site's own. The best plan is chosen by full knowledge;
it keeps the same hard limits (rated lives and ceilings, net of lateness), the same chance of being spent
(no part of the UV unit likelier spent than not, by the true lives) and follows the same visit rule. The
limits that only ask for more records (never far beyond the ages seen; few records) do not bind it, as it
needs no records. With `--limits off` no age is limited, seen or not; few records still keep to today's rule,
and visits are 8 to 52 weeks apart.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from fleetstats.sample import invent_fleet, write_fleet
from fleetstats.sample.fleet import END
from fleetstats.sample.wear import COMPONENTS, LAMP
from tests.hidden_truth.best_policy import best_known_policy
from tests.hidden_truth.policy import Costs, price_policy
from tests.hidden_truth.stories import STORIES
from tests.hidden_truth.truth import Truth, true_lives, truth_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from fleetstats.advice import ComponentTerms
    from fleetstats.life.draws import LifeDraws
    from fleetstats.sample import InventedFleet
    from fleetstats.settings import Settings
    from fleetstats.store import Relations

LATENESS_DAYS = 14.0
NO_LIMIT_DAYS = 36_500.0
#: What a plan may rest on, least first; the last is the product's own.
PLANS = ("curve", "cohorts", "plan")
#: Tables that set limits for single homes, or price parts, are left out: every home then has the same limits.
TABLES = ("sites", "visits", "work", "changes")


@dataclass(frozen=True, slots=True)
class Excess:
    """Excess cost of a plan: 0 = as good as full knowledge, 1 = no better than the rule."""

    value: float
    standard_error: float


def excess(plan: np.ndarray, best: np.ndarray, rule: np.ndarray, fleet: np.ndarray) -> Excess:
    """Return sum of (plan - best) / sum of (rule - best), with a delta-method standard error.

    Parameters
    ----------
    plan, best, rule : array (n,)
        Cost per year of each home.
    fleet : array (n,)
        Which fleet the home is of. From four fleets on they are the independent units, else the homes are.

    References
    ----------
    Cochran, W. G. (1977), Sampling Techniques, 3rd ed., sec. 6.3: variance of a ratio estimate (memory).
    """
    over, gain = plan - best, rule - best
    if len(np.unique(fleet)) >= 4:
        over, gain = (np.array([part[fleet == f].sum() for f in np.unique(fleet)]) for part in (over, gain))
    ratio = over.sum() / gain.sum()
    left, n = over - ratio * gain, len(over)
    return Excess(float(ratio), float(np.sqrt(n / (n - 1) * (left**2).sum()) / abs(gain.sum())))


def costs_of(settings: Settings) -> Costs:
    """Return the costs that the settings hold, over the five units."""
    parts = [settings.component(name) for name in COMPONENTS]
    return Costs(
        trip=settings.trip_cost,
        callout=settings.callout_cost,
        renewal=np.array([part.planned_cost for part in parts]),
        hidden_day=settings.component("quartz_sleeve").hidden_day_cost,
    )


def hard_limits(settings: Settings) -> np.ndarray:
    """Return the age that each of the five units may be planned to reach, days, net of lateness."""
    parts = [settings.component(name) for name in COMPONENTS]
    days = [min(part.ceiling_days, part.rated_life_days or np.inf) for part in parts]
    return np.array(days) - LATENESS_DAYS


def longest_intervals(settings: Settings, truth: Truth, seed: int) -> np.ndarray:
    """Return the longest interval within the chance of being spent that the settings allow, days (5, n)."""
    parts = [settings.component(name) for name in COMPONENTS]
    longest = np.full((5, len(truth.site_id)), np.inf)
    for site, lives in enumerate(true_lives(truth, seed=seed)):
        for unit, part in enumerate(parts):
            if part.failure_chance_limit < 1 and len(lives[unit]):
                longest[unit, site] = np.quantile(lives[unit], part.failure_chance_limit) - LATENESS_DAYS
    return longest


def planned(intervals: pl.DataFrame, site_ids: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return visit interval (n,), every_n (5, n) and whether there is a plan (n,)."""
    place = {site: i for i, site in enumerate(site_ids)}
    interval, every_n = np.full(len(site_ids), 182), np.ones((5, len(site_ids)), np.int64)
    has_plan = np.zeros(len(site_ids), bool)
    for row in intervals.iter_rows(named=True):
        if row["component"] not in COMPONENTS or row["visit_interval_days"] is None:
            continue
        site = place[row["site_id"]]
        unit = COMPONENTS.index(row["component"]) + (row["slot"] == "2")
        interval[site], every_n[unit, site] = row["visit_interval_days"], row["every_n_visits"]
        has_plan[site] = True
    return interval, every_n, has_plan


def _quiet(_: str) -> None:
    """Say nothing of the pipeline's progress."""


def plans_from_records(
    fleet: InventedFleet, settings: Settings, limits: Sequence[bool]
) -> dict[tuple[str, bool], pl.DataFrame]:
    """Return the `intervals` table of each kind of plan, with limits on (True) or off, from the records."""
    from fleetstats import pipeline
    from fleetstats.pipeline.in_force import todays_rule
    from fleetstats.pipeline.lives import learn_fleet
    from fleetstats.pipeline.plans import lives_ahead, plan_visits_with, units_with_lives
    from fleetstats.store import Store

    with tempfile.TemporaryDirectory() as folder:
        own_trips = {**fleet.tables, "sites": fleet.tables["sites"].drop("address_id")}
        # no plan counts on a shared trip
        write_fleet(replace(fleet, tables=own_trips), Path(folder) / "records")
        paths = [Path(folder) / "records" / f"{name}.csv" for name in TABLES]
        store = Path(folder) / "fleet.duckdb"
        pipeline.load(paths, store=store, settings=settings, today=END, progress=_quiet)
        with Store(store) as opened:
            known = opened.relations(as_of=opened.latest_visit(), settings=settings)
    rule = todays_rule(known, settings)
    learned = lives_ahead(known, learn_fleet(known, settings))
    lives = {"plan": {name: life.lives for name, life in learned.items()}} | rivals(known, settings)
    units = units_with_lives(known, learned)
    found = {}
    for name in PLANS:
        for on in limits:
            terms = rule.terms if on else without_limits(rule.terms)
            found[name, on] = plan_visits_with(
                known,
                settings if on else replace(settings, beyond_records=0.0),
                units if on else units.with_columns(rated_life_days=pl.lit(NO_LIMIT_DAYS)),
                lives[name],
                replace(rule, terms=terms),
            ).intervals
    return found


def rivals(known: Relations, settings: Settings) -> dict[str, dict[str, LifeDraws]]:
    """Return the lives as one curve for the fleet, and as cohorts by tank, roof and trees."""
    from fleetstats.life.learn import learn_component

    kept = {"site_id", "tank_material", "roof_material", "tree_cover", "first_visit_on"}
    sites = known.sites.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in known.sites.schema.items() if name not in kept
    )
    nameless = pl.lit(None, pl.String).alias("part_number")
    spells = known.spells.with_columns(nameless, daily_litres=pl.lit(None, pl.Float64))
    out: dict[str, dict[str, LifeDraws]] = {"curve": {}, "cohorts": {}}
    for name, terms in settings.components.items():
        units = known.in_place.filter(pl.col("component") == name)
        if units.is_empty():
            continue
        for rival, facts in (("curve", False), ("cohorts", True)):
            out[rival][name] = learn_component(
                terms,
                spells=spells,
                units=units.select("site_id", "chapter", "component", "slot", nameless),
                sites=sites,
                as_of=known.as_of,
                facts_used=facts,
                site_effect=False,
            ).lives
    return out


def without_limits(terms: Mapping[str, ComponentTerms]) -> dict[str, ComponentTerms]:
    """Return the terms of components that may stay for ever, spent or not."""
    free = {"ceiling_days": NO_LIMIT_DAYS, "rated_life_days": NO_LIMIT_DAYS, "source": "a study",
            "failure_chance_limit": 1.0}  # fmt: skip
    return {name: replace(own, **free) for name, own in terms.items()}


def one_fleet(
    story: str, sites: int, seed: int, *, years: float, runs: int, limits: Sequence[bool] = (True,)
) -> dict[bool, pl.DataFrame]:
    """Return cost and call-outs per year of each planned home under rule, plans and best, limits on or off."""
    from fleetstats.settings import default_settings

    settings = replace(default_settings(), lateness_days=LATENESS_DAYS)
    fleet = invent_fleet(sites, seed=seed, story=STORIES[story])
    truth = truth_of(fleet)
    costs = costs_of(settings)
    plans = plans_from_records(fleet, settings, limits)
    days = truth.story.visit_interval_days
    rule_n = np.ones(5)
    rule_n[LAMP] = max(round(364 / days), 1)
    found = {}
    for on in limits:
        hard = hard_limits(settings) if on else np.full(5, np.inf)
        best = best_known_policy(
            truth,
            costs=costs,
            hard_limit_days=hard,
            longest_interval_days=longest_intervals(settings, truth, seed + 3000) if on else np.inf,
            shortest_visit_days=int(settings.shortest_visit_days),
            longest_visit_days=settings.longest_visit_days,
            years=years,
            runs=runs,
            seed=seed + 1000,
        )
        policies = {
            "rule": (days, rule_n, np.inf),
            "best": (best.visit_interval_days, best.every_n, hard),
        }
        kept = truth.served.copy()
        for name in PLANS:
            interval, every_n, has_plan = planned(plans[name, on], truth.site_id)
            policies[name] = (interval, every_n, hard)
            kept &= has_plan
        columns: dict[str, object] = {"fleet": np.full(sites, seed), "kept": kept}
        for name, (visit_days, nth, limit) in policies.items():
            priced = price_policy(
                truth,
                visit_interval_days=visit_days,
                every_n=nth,
                costs=costs,
                hard_limit_days=limit,
                years=years,
                runs=runs,
                seed=seed + 2000,
            )
            columns[name], columns[f"{name}_callouts"] = priced.cost_per_year, priced.callouts_per_year
        found[on] = pl.DataFrame(columns).filter("kept")
    return found


def table_row(story: str, sites: int, on: bool, homes: pl.DataFrame) -> str:
    """Return one markdown row: story, size, costs per site-year, call-outs per site-year, excesses."""
    cost = " | ".join(f"{homes[name].mean():.0f}" for name in ("rule", *PLANS, "best"))
    calls = " / ".join(f"{homes[name + '_callouts'].mean():.2f}" for name in ("rule", "plan", "best"))
    worth = ["the rule is cheaper, past its limits"] * len(PLANS)
    if homes["rule"].sum() > homes["best"].sum():
        worth = []
        for name in PLANS:
            found = excess(*(homes[part].to_numpy() for part in (name, "best", "rule", "fleet")))
            worth.append(f"{found.value:.2f} ± {found.standard_error:.2f}")
    limits = "on" if on else "off"
    return (
        f"| {story} | {sites} x {homes['fleet'].n_unique()} | {limits} | {cost} | {calls} | "
        f"{' | '.join(worth)} |"
    )


HEAD = (
    "| story | sites x fleets | limits | rule | one curve | cohorts | plan | best "
    "| call-outs: rule / plan / best | excess: one curve | cohorts | plan |\n|"
) + "---|" * 12


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", nargs="+", type=int, default=[400], help="homes in a fleet")
    parser.add_argument("--stories", nargs="+", default=["mixed"], choices=list(STORIES))
    parser.add_argument("--seeds", nargs="+", type=int, default=[1], help="one fleet each")
    parser.add_argument("--limits", nargs="+", choices=["on", "off"], default=["on"])
    parser.add_argument("--years", type=float, default=20.0, help="years simulated ahead")
    parser.add_argument("--runs", type=int, default=4, help="repeats of those years")
    asked = parser.parse_args()
    limits = [word == "on" for word in asked.limits]
    print(HEAD, flush=True)
    for sites in asked.sites:
        for story in asked.stories:
            fleets = [
                one_fleet(story, sites, seed, years=asked.years, runs=asked.runs, limits=limits)
                for seed in asked.seeds
            ]
            for on in limits:
                print(table_row(story, sites, on, pl.concat([fleet[on] for fleet in fleets])), flush=True)


if __name__ == "__main__":
    main()
