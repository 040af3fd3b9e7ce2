"""Levels of advice and ages seen, on records small enough to count."""

from __future__ import annotations

import polars as pl
import pytest

from fleetstats.advice import advice_levels, ages_seen


@pytest.mark.parametrize(
    ("failures", "months", "level", "wait"),
    [
        (0, 30, "due_list_only", None),
        (5, 20, "due_list_only", 20),  # five more at five in twenty months
        (40, 9, "due_list_only", 3),  # the rest of the year
        (12, 24, "fleet_typical", 36),  # eighteen more at one in two months
        (30, 12, "per_site", None),
    ],
)
def test_levels(failures: int, months: float, level: str, wait: float | None) -> None:
    units = pl.DataFrame({"component": ["uv_lamp"] * 2, "spells": [50, 3], "failures": [failures, 0]})
    row = advice_levels(units=units, months_seen=months).row(0, named=True)
    assert (row["level"], row["months_to_wait"]) == (level, wait)
    assert bool(row["wanted"]) == (level != "per_site")
    assert (row["spells"], row["failures"]) == (53, failures)


def test_the_age_seen_is_the_tenth_highest_among_like_sites_else_in_the_fleet() -> None:
    ages = [float(age) for age in range(100, 220, 10)]  # twelve at poly tanks: tenth highest 120
    spells = pl.DataFrame(
        {
            "site_id": "X",
            "component": "sediment_cartridge",
            "tank_material": ["poly"] * 12 + ["concrete"] * 3 + [None],
            "lower_days": [*ages, 300.0, 300.0, 300.0, 50.0],
            "upper_days": [float("inf")] * 14 + [310.0, 400.0],  # spent by 310, by 400: seen to that age
        }
    )
    units = pl.DataFrame(
        {
            "site_id": ["A", "B", "C", "D"],
            "component": ["sediment_cartridge"] * 3 + ["uv_lamp"],
            "tank_material": ["poly", "concrete", None, "poly"],
        }
    )
    seen = ages_seen(spells=spells, units=units, like=("tank_material",))["seen_days"].to_list()
    # whole fleet in order: 400 310 300 300 210 200 190 180 170 160
    assert seen == [120.0, 160.0, 160.0, None]
