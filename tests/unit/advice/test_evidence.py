"""Levels of advice and ages seen, on records small enough to count."""

from __future__ import annotations

import polars as pl
import pytest

from fleetstats.advice import advice_levels, ages_seen
from fleetstats.advice.evidence import costs_to_tell, too_few_for_costs


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


def test_the_age_seen_is_the_tenth_highest_at_sites_no_slower() -> None:
    ages = [float(age) for age in range(100, 220, 10)]  # twelve at A, tenth highest of 100 ... 210: 120
    spells = pl.DataFrame(
        {
            "site_id": ["A"] * 12 + ["B"] * 3 + ["C"],
            "component": "sediment_cartridge",
            "lower_days": [*ages, 300.0, 300.0, 300.0, 50.0],
            "upper_days": [float("inf")] * 14 + [310.0, 400.0],  # spent by 310, by 400: seen to that age
        }
    )
    units = pl.DataFrame(
        {
            "site_id": ["A", "B", "C", "D", "E", "F"],
            "component": ["sediment_cartridge"] * 4 + ["uv_lamp", "sediment_cartridge"],
            "median_days": [150.0, 400.0, 120.0, 500.0, 500.0, None],
        }
    )
    seen = ages_seen(spells=spells, units=units)["seen_days"].to_list()
    # A is slower than C (50 -> 400 days): 400 210 200 190 180 170 160 150 140 130; B and D see the whole
    # fleet: 400 310 300 300 210 200 190 180 170 160; at C one unit was watched; no lamp was; F is not known
    assert seen == [130.0, 160.0, None, 160.0, None, None]


def test_without_advice_on_any_component_plans_keep_their_weeks_and_say_no_cost() -> None:
    levels = pl.DataFrame({"level": ["due_list_only", "due_list_only"]})
    assert too_few_for_costs(levels)
    enough = levels.with_columns(level=pl.Series(["due_list_only", "per_site"]))
    assert not too_few_for_costs(enough)
    plans = pl.DataFrame({
        "site_id": ["A"], "visit_interval_days": [168], "trips_per_year": [2.2], "low": [1.0],
        "cost_per_year_month_sooner": [3.0], "cost_per_year_closer": [4.0], "callouts_per_year": [0.1],
        "saving_seen": [0.2],
    })  # fmt: skip
    kept = costs_to_tell(plans, levels)
    assert kept.schema == plans.schema
    assert kept.row(0) == ("A", 168, 2.2, None, None, None, None, None)
    assert costs_to_tell(plans, enough).equals(plans)
