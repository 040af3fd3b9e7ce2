"""Prices plans against invented truth: the firm's rule, the plan from the records, the best there is.

Run by hand, for instance:

    python tests/studies/plan_worth.py --sites 400 --stories mixed calm --seeds 1 2 3

Prints one markdown row a story: cost per site-year of each, and the excess, sum of (plan - best) over sum of
(rule - best), with its standard error. The best plan is chosen by full knowledge; it keeps the same hard
limits (rated lives and ceilings, net of lateness) and follows the same visit rule. The limits that only ask
for more records (never far beyond the ages seen; few records) do not bind it, as it needs no records.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from fleetstats.sample import STORIES, invent_fleet, write_fleet
from fleetstats.sample.best_policy import best_known_policy
from fleetstats.sample.fleet import END
from fleetstats.sample.policy import Costs, price_policy
from fleetstats.sample.wear import COMPONENTS, LAMP

if TYPE_CHECKING:
    from fleetstats.sample import InventedFleet, Truth
    from fleetstats.settings import Settings

LATENESS_DAYS = 14.0
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


def plan_from_records(fleet: InventedFleet, settings: Settings) -> pl.DataFrame:
    """Return the `intervals` table that the analysis of the fleet's records ends in."""
    from fleetstats import pipeline
    from fleetstats.store import Store

    with tempfile.TemporaryDirectory() as folder:
        own_trips = replace(fleet, sites=fleet.sites.drop("address_id"))  # no plan counts on a shared trip
        write_fleet(own_trips, Path(folder) / "records")
        paths = [Path(folder) / "records" / f"{name}.csv" for name in TABLES]
        store = Path(folder) / "fleet.duckdb"
        pipeline.load(paths, store=store, settings=settings, today=END, progress=_quiet)
        pipeline.analyse(store=store, settings=settings, as_of=None, progress=_quiet)
        with Store(store, read_only=True) as opened:
            return opened.table("intervals")


def one_fleet(story: str, sites: int, seed: int, *, years: float, runs: int) -> pl.DataFrame:
    """Return cost and call-outs per year of each planned home under rule, plan and best."""
    from fleetstats.settings import default_settings

    settings = replace(default_settings(), lateness_days=LATENESS_DAYS)
    fleet = invent_fleet(sites, seed=seed, story=story)
    truth: Truth = fleet.truth
    costs, hard = costs_of(settings), hard_limits(settings)
    interval, every_n, has_plan = planned(plan_from_records(fleet, settings), truth.site_id)
    best = best_known_policy(
        truth,
        costs=costs,
        hard_limit_days=hard,
        shortest_visit_days=int(settings.shortest_visit_days),
        longest_visit_days=settings.longest_visit_days,
        years=years,
        runs=runs,
        seed=seed + 1000,
    )
    days = truth.story.visit_interval_days
    rule_n = np.ones(5)
    rule_n[LAMP] = max(round(364 / days), 1)
    policies = {
        "rule": (days, rule_n, np.inf),
        "plan": (interval, every_n, hard),
        "best": (best.visit_interval_days, best.every_n, hard),
    }
    columns: dict[str, object] = {"fleet": np.full(sites, seed), "kept": has_plan & truth.served}
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
    return pl.DataFrame(columns).filter("kept")


def table_row(story: str, homes: pl.DataFrame) -> str:
    """Return one markdown row: story, homes, costs per site-year, call-outs per site-year, excess."""
    parts = [homes[name].to_numpy() for name in ("plan", "best", "rule", "fleet")]
    cost = " | ".join(f"{homes[name].mean():.0f}" for name in ("rule", "plan", "best"))
    calls = " / ".join(f"{homes[name + '_callouts'].mean():.2f}" for name in ("rule", "plan", "best"))
    worth = "the rule is cheaper, past its limits"
    if homes["rule"].sum() > homes["best"].sum():
        found = excess(*parts)
        worth = f"{found.value:.2f} ± {found.standard_error:.2f}"
    return f"| {story} | {homes.height} | {homes['fleet'].n_unique()} | {cost} | {calls} | {worth} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=400, help="homes in a fleet")
    parser.add_argument("--stories", nargs="+", default=["mixed"], choices=list(STORIES))
    parser.add_argument("--seeds", nargs="+", type=int, default=[1], help="one fleet each")
    parser.add_argument("--years", type=float, default=20.0, help="years simulated ahead")
    parser.add_argument("--runs", type=int, default=4, help="repeats of those years")
    asked = parser.parse_args()
    print("| story | homes | fleets | six-month rule | plan | best | call-outs a site-year | excess |")
    print("|---|---|---|---|---|---|---|---|")
    for story in asked.stories:
        fleets = [
            one_fleet(story, asked.sites, seed, years=asked.years, runs=asked.runs) for seed in asked.seeds
        ]
        print(table_row(story, pl.concat(fleets)), flush=True)


if __name__ == "__main__":
    main()
