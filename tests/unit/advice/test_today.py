"""Today's rule and lateness, read off small records."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from fleetstats.advice import infer_current_rule, usual_lateness

START = date(2022, 1, 3)


def visits(gaps: list[list[int]], reason: str = "routine") -> pl.DataFrame:
    """One site for each list of gaps in days."""
    rows = []
    for site, own in enumerate(gaps):
        day = START
        rows.append((f"S{site}", day, "commission"))
        for gap in own:
            day += timedelta(days=gap)
            rows.append((f"S{site}", day, reason))
    return pl.DataFrame(rows, schema=["site_id", "visit_date", "visit_reason"], orient="row")


def test_lateness_is_what_nine_in_ten_visits_keep() -> None:
    # 20 gaps: 10 early or on time, then 1, 2, ... 10 days late; the 18th of 20 in order is 8 late, the 19th 9
    found = usual_lateness(visits([[182 - k for k in range(10)], [182 + k for k in range(1, 11)]]), 182)
    assert found.gaps == 20
    assert found.days in (8.0, 9.0)


def test_lost_customers_and_call_outs_do_not_count_as_late() -> None:
    kept = [[182] * 18 + [190] * 4]
    lost = visits([*kept, [400, 900, 1200]])
    assert usual_lateness(lost, 182).days == usual_lateness(visits(kept), 182).days == 8
    called = pl.concat([visits(kept), visits([[40, 40]], reason="callout")])
    assert usual_lateness(called, 182).days == 8


def test_with_few_visits_lateness_is_assumed_and_said_so() -> None:
    found = usual_lateness(visits([[182, 240]]), 182)
    assert found.days == 14
    assert "assumed" in found.origin


def spells(component: str, ages: list[int], how: str = "taken_out") -> pl.DataFrame:
    return pl.DataFrame(
        {
            "component": pl.Series([component] * len(ages), dtype=pl.String),
            "fitted_on": pl.Series([START] * len(ages), dtype=pl.Date),
            "ended_on": pl.Series([START + timedelta(days=age) for age in ages], dtype=pl.Date),
            "ended_how": pl.Series([how] * len(ages), dtype=pl.String),
        }
    )


def test_the_rule_is_read_in_visits_and_their_multiples() -> None:
    records = visits([[178, 181, 184, 186, 183]] * 6)
    lived = pl.concat(
        [
            spells("uv_lamp", [355, 362, 370] * 5),
            spells("sediment_cartridge", [120, 171, 182, 184] * 5),  # some from call-outs, so younger
            spells("sediment_cartridge", [30] * 50, how="failed"),
            spells("carbon_cartridge", [90] * 3),
        ]
    )
    usual = {"uv_lamp": 365.0, "sediment_cartridge": 182.0, "carbon_cartridge": 182.0}
    rule = infer_current_rule(visits=records, spells=lived, components=list(usual), customary_days=usual)
    assert rule.visit_interval_days == 182
    found = {row["component"]: row for row in rule.intervals.iter_rows(named=True)}
    assert found["uv_lamp"]["current_interval_days"] == 364
    assert found["sediment_cartridge"]["current_interval_days"] == 182
    assert found["sediment_cartridge"]["renewals"] == 20
    assert found["carbon_cartridge"]["current_interval_days"] == 182
    assert found["carbon_cartridge"]["origin"].startswith("customary")


@pytest.mark.parametrize("gap", [90, 182, 365])
def test_without_records_the_rule_is_customary(gap: int) -> None:
    nothing = spells("sediment_cartridge", [])
    rule = infer_current_rule(
        visits=visits([[gap]]),
        spells=nothing,
        components=["sediment_cartridge"],
        customary_days={"sediment_cartridge": 182.0},
    )
    assert rule.visit_interval_days == 182
    assert "customary" in rule.visit_origin
