"""A small mixed fleet: sites, units of every condition, plans, and lives with parameter uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.life.draws import LifeDraws

AS_OF = date(2024, 3, 10)


@dataclass(frozen=True)
class SmallFleet:
    units: pl.DataFrame
    lives: dict[str, LifeDraws]
    announced: dict[str, bool]
    plans: pl.DataFrame

    def arguments(self, **changed: Any) -> dict[str, Any]:
        return {
            "units": self.units, "lives": self.lives, "announced": self.announced, "plans": self.plans,
            "as_of": AS_OF,
        } | changed  # fmt: skip


@pytest.fixture
def fleet() -> SmallFleet:
    rng = np.random.default_rng(5)
    sites = 8
    kinds = {"cartridge": (4.9, 0.35), "lamp": (5.5, 0.3), "sleeve": (5.1, 0.5)}
    families = ("weibull", "lognormal", "loglogistic", "weibull")
    rows, plans, lives = [], [], {}
    for kind, (place, spread) in kinds.items():
        location = place + rng.normal(0, 0.3, (sites, 1)) + rng.normal(0, 0.15, (1, 4))
        lives[kind] = LifeDraws(
            families, location, spread * np.array([0.9, 1.0, 0.6, 1.2]), np.zeros_like(location)
        )
        for site in range(sites):
            age = float(rng.integers(0, 120))
            survived = age if kind != "sleeve" else round(age * 0.6)
            rows.append(
                (f"S{site}", kind, "", f"{kind}-{site % 2}" if site else None, age, survived, site == 7)
            )
            plans.append(
                (f"S{site}", kind, "", 56.0 + 21.0 * site, 1 if kind == "cartridge" else 2,
                 365.0 if kind == "lamp" else None, AS_OF + timedelta(days=9 + 11 * site))
            )  # fmt: skip
    return SmallFleet(
        units=pl.DataFrame(
            rows,
            schema=[
                "site_id", "component", "slot", "part_number", "age_days", "survived_days", "spent_seen",
            ],
            orient="row",
        ),
        lives=lives,
        announced={"cartridge": True, "lamp": True, "sleeve": False},
        plans=pl.DataFrame(
            plans,
            schema=[
                "site_id", "component", "slot", "visit_interval_days", "every_n_visits", "hard_limit_days",
                "next_visit_on",
            ],
            orient="row",
        ),
    )  # fmt: skip
