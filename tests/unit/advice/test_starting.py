"""Starting intervals: what a new site's kind says before it has records."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from fleetstats.advice import starting_intervals
from fleetstats.life.draws import LifeDraws

from .conftest import KINDS, TERMS


def combinations(seen: float | None = 500.0) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "component": "sediment_cartridge",
            "tank_material": ["concrete", "poly", "steel"],
            "roof_material": "metal",
            "tree_cover": ["heavy", "some", "none"],
            "daily_litres": [300, 300, 300],
            "sites": [9, 20, 4],
            "spells": [80, 150, 12],
            "seen_days": pl.Series([seen] * 3, dtype=pl.Float64),
            "life_row": [0, 1, 2],
        }
    )


def lives(spread: float) -> dict[str, LifeDraws]:
    rng = np.random.default_rng(2)
    effect = rng.normal(0, spread, (3, 100))
    location = np.log([[170.0], [300.0], [800.0]]) + effect
    return {"sediment_cartridge": LifeDraws(("weibull",) * 100, location, np.full(100, 0.25), effect)}


def test_fast_kinds_of_site_start_shorter_and_ranges_hold_them() -> None:
    found = starting_intervals(combinations=combinations(), lives=lives(0.2), components=KINDS, terms=TERMS)
    days = found["interval_days"].to_list()
    assert days[0] < days[1] < days[2] <= 365
    assert all(day % 7 == 0 for day in days)
    assert (found["low_days"] <= found["interval_days"]).all()
    assert (found["high_days"] >= found["interval_days"]).all()
    assert found["spells"].to_list() == [80, 150, 12]


def test_a_kind_of_site_known_better_has_a_narrower_range() -> None:
    def width(spread: float) -> int:
        found = starting_intervals(
            combinations=combinations(), lives=lives(spread), components=KINDS, terms=TERMS
        )
        return int((found["high_days"] - found["low_days"]).sum())

    assert width(0.05) < width(0.3)


def test_limits_hold_for_starting_intervals_too() -> None:
    terms = replace(TERMS, local_rule_days=180, lateness_days=18)
    found = starting_intervals(combinations=combinations(), lives=lives(0.1), components=KINDS, terms=terms)
    assert found["high_days"].max() == 161  # 23 weeks <= 180 - 18
    unseen = starting_intervals(
        combinations=combinations(None), lives=lives(0.1), components=KINDS, terms=TERMS
    )
    assert unseen["interval_days"].max() <= 182
