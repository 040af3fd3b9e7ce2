"""How long the forecast of parts takes, by the size of the fleet: `python tests/studies/demand_speed.py`."""

from __future__ import annotations

import argparse
import resource
from dataclasses import dataclass
from datetime import date, timedelta
from time import perf_counter, process_time

import numpy as np
import polars as pl

from fleetstats.life.draws import LifeDraws
from fleetstats.stock import DemandForecast, monthly_demand

AS_OF = date(2026, 6, 30)
#: Component: middle life, spread within a site, announced, every how many visits, longest age by a limit.
KINDS = {
    "sediment_cartridge": (220.0, 0.35, True, 1, None),
    "carbon_cartridge": (260.0, 0.35, True, 1, None),
    "uv_lamp": (600.0, 0.30, True, 2, 351.0),
    "quartz_sleeve": (240.0, 0.40, False, 1, 168.0),
}
DRAWS = 200


@dataclass(frozen=True)
class Timed:
    """One forecast and what it took."""

    forecast: DemandForecast
    units: int
    seconds: float
    processor_seconds: float


def invented(sites: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame, dict[str, LifeDraws]]:
    """Return units in place, their plans, and draws of lives: sites differ by a factor of two either way."""
    rng = np.random.default_rng(seed)
    names = [f"H-{number:05d}" for number in range(sites)]
    weeks = rng.integers(13, 40, sites)
    first = rng.integers(1, 7 * weeks)
    units, plans, lives = [], [], {}
    for kind, (middle, spread, _, every, limit) in KINDS.items():
        site = rng.normal(0.0, 0.35, (sites, 1)) + rng.normal(0.0, 0.1, (1, DRAWS))
        families = ("weibull",) * (DRAWS // 2) + ("lognormal",) * (DRAWS - DRAWS // 2)
        lives[kind] = LifeDraws(families, np.log(middle) + site, np.full(DRAWS, spread), site)
        age = rng.integers(0, 7 * weeks * every) * 1.0
        part = [f"{kind[:4]}-{number}" for number in rng.integers(0, 3, sites)]
        units.append(
            pl.DataFrame(
                {
                    "site_id": names, "component": kind, "slot": "", "part_number": part, "age_days": age,
                    "survived_days": age, "spent_seen": False,
                }
            )
        )  # fmt: skip
        plans.append(
            pl.DataFrame(
                {
                    "site_id": names, "component": kind, "slot": "", "visit_interval_days": weeks * 7.0,
                    "every_n_visits": every, "hard_limit_days": pl.Series([limit] * sites, dtype=pl.Float64),
                    "next_visit_on": [AS_OF + timedelta(days=int(days)) for days in first],
                }
            )
        )  # fmt: skip
    return pl.concat(units), pl.concat(plans), lives


def timed(sites: int, seed: int = 0) -> Timed:
    """Return the forecast of twelve months under a plan and under today's rule, and what it took."""
    units, plans, lives = invented(sites, seed)
    rule = plans.with_columns(visit_interval_days=pl.lit(182.0))
    parts = sorted(set(units.filter(pl.col("component") == "sediment_cartridge")["part_number"]))
    mixed = [("sediment_cartridge", one, other, 50.0) for one in parts for other in parts]
    named = ["component", "part_number", "next_part_number", "weight"]
    began, busy = perf_counter(), process_time()
    forecast = monthly_demand(
        units=units, lives=lives, announced={kind: terms[2] for kind, terms in KINDS.items()}, plans=plans,
        current_plans=rule, as_of=AS_OF, lateness_days=14.0, part_share={"quartz_sleeve": 0.1},
        changes=pl.DataFrame(mixed, schema=named, orient="row"), seed=seed,
    )  # fmt: skip
    return Timed(forecast, units.height, perf_counter() - began, process_time() - busy)


def main() -> None:
    """Print the table that README.md shows."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--sites", type=int, nargs="+", default=[100, 1_000, 10_000])
    print("| sites | units | replicates | s | processor s | peak memory, MiB |\n|---|---|---|---|---|---|")
    for sites in asked.parse_args().sites:
        found = timed(sites)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"| {sites:,} | {found.units:,} | {found.forecast.use.shape[2]:,} | {found.seconds:.1f} | "
            f"{found.processor_seconds:.1f} | {peak:,.0f} |"
        )


if __name__ == "__main__":
    main()
