"""What reading pressures is worth: site medians, ranges and plans with the readings and without, against the truth.

Run by hand, for instance:

    python -m tests.studies.gauge_worth --sites 150 --years-seen 1 2 4 --noise 0 0.3 --seeds 1 2

Prints one markdown row a history length and noise: for sediment and carbon cartridges the RMS error of the log of
each site's median life and how many of the 90 % ranges cover it, and the excess cost of the plan (see
`plan_worth.py`), each without the readings and with them. Noise is added to every reading, as a log standard
deviation of the drop, on top of the gauges' own.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from fleetstats.sample import invent_fleet, write_fleet
from fleetstats.sample.fleet import END
from fleetstats.sample.wear import COMPONENTS
from tests.hidden_truth.best_policy import best_known_policy
from tests.hidden_truth.policy import price_policy
from tests.hidden_truth.stories import STORIES
from tests.hidden_truth.truth import Truth, true_lives, truth_of
from tests.studies.plan_worth import (
    LATENESS_DAYS,
    TABLES,
    costs_of,
    excess,
    hard_limits,
    longest_intervals,
    planned,
)  # fmt: skip

if TYPE_CHECKING:
    from fleetstats.life.learn import ComponentLife
    from fleetstats.settings import Settings
    from fleetstats.store import Relations

CARTRIDGES = ("sediment_cartridge", "carbon_cartridge")
WAYS = ("without", "with")


def noisier(relations: Relations, noise: float, seed: int) -> Relations:
    """Return the relations with every reading of a cartridge multiplied by log-normal noise."""
    if noise == 0:
        return relations
    stream = np.random.default_rng([seed, 77])
    return replace(
        relations,
        readings=_shaken(relations.readings, stream, noise, ["visit_id", "component", "slot"]),
        stages_read=_shaken(relations.stages_read, stream, noise, ["visit_id"]),
    )


def _shaken(
    frame: pl.DataFrame, stream: np.random.Generator, noise: float, reading: list[str]
) -> pl.DataFrame:
    """Return the frame with one factor for each reading, which may stand on several rows."""
    rows = frame.select(reading).unique(maintain_order=True)
    factors = rows.with_columns(_factor=pl.Series(np.exp(noise * stream.standard_normal(rows.height))))
    joined = frame.join(factors, on=reading, how="left", nulls_equal=True, maintain_order="left")
    return joined.with_columns(pl.col("drop_kpa") * pl.col("_factor")).drop("_factor")


def learn(relations: Relations, settings: Settings) -> dict[str, dict[str, ComponentLife]]:
    """Return the learned lives without and with the readings."""
    from fleetstats.pipeline.lives import learn_fleet

    return {way: learn_fleet(relations, settings, draws=100, gauges_used=way == "with") for way in WAYS}


def medians(
    lives: dict[str, ComponentLife], truth: dict[tuple[str, str], float]
) -> dict[str, tuple[float, float, int]]:
    """Return for each cartridge the RMS log error of the sites' medians, the share covered, and the sites."""
    found = {}
    for name in CARTRIDGES:
        life = lives[name]
        told = life.units.select("site_id", "slot").with_columns(life.lives.median_life())
        rows = [
            (np.log(row["median_days"] / true), row["low_days"] <= true <= row["high_days"])
            for row in told.iter_rows(named=True)
            if row["slot"] == "" and (true := truth.get((name, row["site_id"]))) is not None
        ]
        off, covered = (np.array(column, dtype=float) for column in zip(*rows, strict=True))
        found[name] = (float(np.sqrt((off**2).mean())), float(covered.mean()), len(rows))
    return found


def true_medians(really: Truth, seed: int) -> dict[tuple[str, str], float]:
    """Return the true median life of each cartridge at each served home."""
    lives = true_lives(really, years=15, runs=4, seed=seed)
    return {
        (COMPONENTS[unit], str(site)): float(np.median(lives[home][unit]))
        for home, site in enumerate(really.site_id)
        for unit in (0, 2)
        if really.served[home] and lives[home][unit].size >= 5
    }


def one_fleet(
    story: str,
    sites: int,
    seed: int,
    *,
    years_seen: tuple[float, ...],
    noises: tuple[float, ...],
    years: float,
    runs: int,
) -> list[dict[str, object]]:
    """Return one row a history length and noise; costs are arrays over homes, way by way."""
    from fleetstats import pipeline
    from fleetstats.pipeline.in_force import todays_rule
    from fleetstats.pipeline.plans import plan_fleet
    from fleetstats.settings import default_settings
    from fleetstats.store import Store

    settings = replace(default_settings(), lateness_days=LATENESS_DAYS)
    fleet = invent_fleet(sites, seed=seed, story=STORIES[story])
    alone = {**fleet.tables, "sites": fleet.tables["sites"].drop("address_id")}
    fleet, really = replace(fleet, tables=alone), truth_of(fleet)
    truth, costs, hard = true_medians(really, seed), costs_of(settings), hard_limits(settings)
    common = {"costs": costs, "years": years, "runs": runs}
    best = best_known_policy(
        really, hard_limit_days=hard,
        longest_interval_days=longest_intervals(settings, really, seed + 3000), shortest_visit_days=int(settings.shortest_visit_days),
        longest_visit_days=settings.longest_visit_days, seed=seed + 1000, **common,
    )  # fmt: skip

    def priced(visit_days: object, nth: object, limit: object) -> np.ndarray:
        return price_policy(
            really, visit_interval_days=visit_days, every_n=nth, hard_limit_days=limit, seed=seed + 2000,
            **common,
        ).cost_per_year  # fmt: skip

    rule_days = really.story.visit_interval_days
    base = {
        "best": priced(best.visit_interval_days, best.every_n, hard),
        "rule": priced(rule_days, np.array([1, 1, 1, max(round(364 / rule_days), 1), 1]), np.inf),
    }
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        write_fleet(fleet, Path(folder) / "records")
        paths = [Path(folder) / "records" / f"{name}.csv" for name in TABLES]
        store = Path(folder) / "fleet.duckdb"
        pipeline.load(paths, store=store, settings=settings, today=END, progress=lambda _: None)
        for seen in years_seen:
            cut = _only_last(store, seen)
            with Store(cut) as opened:
                relations = opened.relations(as_of=opened.latest_visit(), settings=settings)
            rule = todays_rule(relations, settings)
            for noise in noises:
                learned = learn(noisier(relations, noise, seed), settings)
                row: dict[str, object] = {"seen": seen, "noise": noise, "fleet": seed, **base}
                for way, lives in learned.items():
                    intervals = plan_fleet(relations, settings, lives, rule).visits.intervals
                    visit_days, nth, has_plan = planned(intervals, really.site_id)
                    row[way] = medians(lives, truth)
                    row[f"cost_{way}"] = priced(visit_days, nth, hard)
                    row["kept"] = has_plan & really.served
                rows.append(row)
    return rows


def _only_last(store: Path, years: float) -> Path:
    """Return a copy of the store that holds the visits of the last years alone."""
    import shutil

    from fleetstats.store import Store

    copy = store.with_name(f"last{years:g}.duckdb")
    shutil.copy(store, copy)
    with Store(copy) as opened:
        since = opened.latest_visit() - timedelta(days=round(365.25 * years))
        with opened.transaction():
            opened.run(
                "DELETE FROM records.work WHERE visit_id IN "
                "(SELECT visit_id FROM records.visits WHERE visit_date < $since)",
                {"since": since},
            )
            opened.run("DELETE FROM records.visits WHERE visit_date < $since", {"since": since})
    return copy  # fmt: skip


def table_row(rows: list[dict[str, object]]) -> str:
    """Return one markdown row over fleets: errors, coverage, excess costs without and with the readings."""
    cells = []
    for name in CARTRIDGES:
        for place, style in ((0, "{:.3f}"), (1, "{:.0%}")):
            pair = [np.average([row[way][name][place] for row in rows]) for way in WAYS]
            cells.append(" / ".join(style.format(value) for value in pair))
    kept = np.concatenate([row["kept"] for row in rows])
    of_fleet = np.concatenate([np.full(len(row["kept"]), row["fleet"]) for row in rows])[kept]
    best, rule = (np.concatenate([row[name] for row in rows])[kept] for name in ("best", "rule"))
    costs = [np.concatenate([row[f"cost_{way}"] for row in rows])[kept] for way in WAYS]
    worth = " / ".join(f"{excess(cost, best, rule, of_fleet).value:.3f}" for cost in costs)
    gain = costs[0] - costs[1]
    error = gain.std(ddof=1) / np.sqrt(len(gain))
    first = rows[0]
    return (
        f"| {first['seen']:g} | {first['noise']:g} | {len(rows)} | {' | '.join(cells)} | {worth} | "
        f"{gain.mean():.1f} ± {error:.1f} |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=150, help="homes in a fleet")
    parser.add_argument("--story", default="mixed", choices=list(STORIES))
    parser.add_argument("--years-seen", nargs="+", type=float, default=[1.0, 2.0, 4.0])
    parser.add_argument("--noise", nargs="+", type=float, default=[0.0, 0.3])
    parser.add_argument("--seeds", nargs="+", type=int, default=[1])
    parser.add_argument("--years", type=float, default=20.0, help="years simulated ahead")
    parser.add_argument("--runs", type=int, default=4, help="repeats of those years")
    asked = parser.parse_args()
    found = [
        row
        for seed in asked.seeds
        for row in one_fleet(
            asked.story, asked.sites, seed, years_seen=tuple(asked.years_seen), noises=tuple(asked.noise),
            years=asked.years, runs=asked.runs,
        )
    ]  # fmt: skip
    print("| years seen | added noise | fleets | sediment, RMS log error | covered | carbon, RMS log error "
          "| covered | excess cost | saved a site-year |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|")
    for seen in asked.years_seen:
        for noise in asked.noise:
            print(
                table_row([row for row in found if row["seen"] == seen and row["noise"] == noise]), flush=True
            )


if __name__ == "__main__":
    main()
