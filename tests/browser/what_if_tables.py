"""Invented kinds of sites for the page's "what if": smooth made-up costs, every sort of limit."""

from __future__ import annotations

from typing import Any

import numpy as np

from fleetstats.advice.site_kinds import SiteKinds
from fleetstats.advice.what_if import kind_plans
from fleetstats.report import Results
from fleetstats.tables import TABLES
from tests.report_fixture import invent

FIRST, LAST = 4, 52
#: Component, middle life in weeks, cost of a part, hard limit in days, its name, customary days.
UNITS = (
    ("carbon_cartridge", 45, 65.0, 351.0, "ceiling", 182.0),
    ("quartz_sleeve", 50, 20.0, 168.0, "ceiling", 182.0),
    ("sediment_cartridge", 30, 45.0, 351.0, "ceiling", 182.0),
    ("uv_lamp", 80, 95.0, 351.0, "rated_life", 365.0),
)


def invented_kinds(count: int = 14, seed: int = 5) -> SiteKinds:
    """Return kinds of sites from very fast to very slow, some bounded, some without a lamp, some held."""
    rng = np.random.default_rng(seed)
    kinds, units, rates = [], [], []
    for number in range(1, count + 1):
        most = float(rng.choice([168.0, 168.0, 110.0, 30.0, 351.0]))
        kinds.append({
            "kind": number, "sites": int(rng.integers(1, 60)), "level": 1, "levels": 1,
            "callouts_low": 0.1 * number, "callouts_high": 0.1 * number + 0.05,
            "trip_share": float(rng.choice([1.0, 1.0, 0.8])), "first_week": FIRST, "shortest_days": 56.0,
            "longest_days": 364.0, "most_days": most,
        })  # fmt: skip
        pace = float(np.exp(rng.normal(0.0, 0.7)))
        for component, life, part, limit, by, customary in UNITS:
            if number % 5 == 0 and component in ("uv_lamp", "quartz_sleeve"):
                continue
            key = {"kind": number, "component": component, "slot": ""}
            held = bool(number % 4 == 0 and component == "carbon_cartridge")
            scale = life * pace * float(np.exp(rng.normal(0.0, 0.3)))
            shape = float(rng.uniform(1.5, 4.0))
            by_week = 1.0 - np.exp(-((np.arange(1, 53) / scale) ** shape))
            units.append({
                **key, "announced": component != "quartz_sleeve", "of_uv_unit": component[0] in "qu",
                "held": held, "longest_days": limit, "longest_by": by,
                "beyond_days": float(rng.choice([230.0, 400.0])) if number % 3 == 0 else None,
                "chance_limit": float(rng.choice([1.0, 0.4])), "late_days": float(rng.choice([0.0, 14.0])), "today_days": 182.0,
                "customary_days": customary, "chances": [] if held else [float(f"{c:.6g}") for c in by_week],
            })  # fmt: skip
            rates += [{**key, **row} for row in _rates(scale, shape, part, component, held)]
    return SiteKinds(
        TABLES["what_if_kinds"].of(kinds),
        TABLES["what_if_units"].of(units),
        TABLES["what_if_rates"].of(rates),
        0,
    )


def _rates(scale: float, shape: float, part: float, component: str, held: bool) -> list[dict[str, Any]]:
    rows = []
    for n in range(1, 5):
        age = np.arange(FIRST, LAST + 1) * n
        gone = 1.0 - np.exp(-((age / scale) ** shape))
        a_year = 52.18 / np.minimum(age, scale)
        called = np.zeros(len(age)) if held or component == "quartz_sleeve" else a_year * gone
        other = np.zeros(len(age)) if held else a_year * part + (component == "quartz_sleeve") * 400.0 * gone
        rows.append({
            "every_n": n, "callouts": [float(f"{x:.6g}") for x in called],
            "other_cost": [float(f"{x:.6g}") for x in other],
        })  # fmt: skip
    return rows


def results_with(found: SiteKinds) -> Results:
    """Return invented results that hold these kinds with their answers at the settings' costs, 120 and 300."""
    plans = kind_plans(found, trip_cost=120.0, callout_cost=300.0)
    return invent(40).replaced(
        what_if_kinds=plans.kinds, what_if_units=plans.units, what_if_rates=plans.rates
    )
