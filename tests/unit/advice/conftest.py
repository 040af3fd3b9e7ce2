"""Fleets for the advice tests: sites, units and draws of their lives, all from one seed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import ComponentTerms, VisitPlans, VisitTerms, plan_visits
from fleetstats.life.draws import LifeDraws

AS_OF = date(2025, 6, 30)
KINDS = {
    "sediment_cartridge": ComponentTerms("sediment_cartridge", planned_cost=45),
    "carbon_cartridge": ComponentTerms("carbon_cartridge", planned_cost=65),
    "uv_lamp": ComponentTerms(
        "uv_lamp", planned_cost=95, current_interval_days=364, customary_days=365, rated_life_days=365
    ),
    "quartz_sleeve": ComponentTerms(
        "quartz_sleeve",
        announced=False,
        planned_cost=20,
        hidden_day_cost=1.5,
        ceiling_days=182,
        renewed_by=("fitted", "replaced", "cleaned"),
    ),
}
TYPICAL = {"sediment_cartridge": 230, "carbon_cartridge": 300, "uv_lamp": 520, "quartz_sleeve": 300}
TERMS = VisitTerms(trip_cost=120, callout_cost=300, current_visit_days=182)


@dataclass
class Fleet:
    """Everything `plan_visits` takes; change a part, then plan."""

    sites: pl.DataFrame
    units: pl.DataFrame
    lives: dict[str, LifeDraws]
    kinds: dict[str, ComponentTerms] = field(default_factory=lambda: dict(KINDS))
    terms: VisitTerms = TERMS
    site_limits: pl.DataFrame | None = None
    decisions: pl.DataFrame | None = None
    months_seen: float = 48.0

    def plan(self) -> VisitPlans:
        return plan_visits(
            sites=self.sites,
            units=self.units,
            lives=self.lives,
            components=self.kinds,
            terms=self.terms,
            as_of=AS_OF,
            months_seen=self.months_seen,
            site_limits=self.site_limits,
            decisions=self.decisions,
            most_draws=60,
        )


@pytest.fixture
def make_fleet() -> Callable[..., Fleet]:
    def make(
        sites: int = 30, seed: int = 1, lives: Mapping[str, float] = TYPICAL, spread: float = 0.4
    ) -> Fleet:
        rng = np.random.default_rng(seed)
        names = [f"S{number:03d}" for number in range(sites)]
        drawn, units = {}, []
        for kind, days in lives.items():
            effect = rng.normal(0, spread, (sites, 1)) + rng.normal(0, 0.12, (sites, 60))
            family = ("loglogistic",) * 20 + ("lognormal",) * 20 + ("weibull",) * 20
            drawn[kind] = LifeDraws(family, np.log(days) + effect, np.full(60, 0.3), effect)
            units.append(_units_of(kind, names, rng))
        facts = pl.DataFrame(
            {
                "site_id": names,
                "served": True,
                "failed_sample_open": False,
                "open_alarm": False,
                "first_visit_on": AS_OF - timedelta(days=1500),
                "address_id": pl.Series([None] * sites, dtype=pl.String),
            }
        )
        return Fleet(facts, pl.concat(units), drawn)

    return make


def _units_of(kind: str, names: list[str], rng: np.random.Generator) -> pl.DataFrame:
    ages = rng.integers(10, 180, len(names))
    return pl.DataFrame(
        {
            "site_id": names,
            "component": kind,
            "slot": "",
            "part_number": kind.upper(),
            "life_row": np.arange(len(names)),
            "spells": 8,
            "failures": 4,
            "seen_days": 300.0,
            "rated_life_days": pl.Series([None] * len(names), dtype=pl.Float64),
            "fitted_on": [AS_OF - timedelta(days=int(age)) for age in ages],
            "survived_days": ages.astype(float),
            "spent_seen": False,
            "removed": False,
        }
    )
