"""Counts to hold against the books, today's rule, parts against cleanings: by hand from a few rows."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.pipeline.counts import fleet_counts
from fleetstats.pipeline.forecast import part_share
from fleetstats.pipeline.in_force import todays_rule
from fleetstats.settings import default_settings, settings_from

SITES = """
    site_id
    A
    B
"""
VISITS = """
    visit_id,site_id,visit_date,visit_reason,callout_cause
    1,A,2023-01-10,commission,
    2,A,2023-07-11,routine,
    3,A,2024-01-20,routine,
    4,B,2023-02-01,commission,
    5,B,2023-05-01,callout,low_pressure
"""
WORK = """
    visit_id,component,action,condition
    1,sediment_cartridge,fitted,
    1,uv_lamp,fitted,
    1,quartz_sleeve,fitted,
    2,sediment_cartridge,replaced,good
    2,quartz_sleeve,cleaned,good
    3,sediment_cartridge,removed,good
    3,sediment_cartridge,fitted,
    3,uv_lamp,replaced,expired
    3,quartz_sleeve,cleaned,good
    4,sediment_cartridge,fitted,
    5,sediment_cartridge,replaced,blocked
"""


@pytest.fixture
def known(fleet):
    return fleet.known("2024-01-20", sites=SITES, visits=VISITS, work=WORK)


def test_counts_by_year_are_those_of_the_records(known) -> None:
    counts = fleet_counts(known, rated_days={"uv_lamp": 365.0})
    rows = {row["year"]: row for row in counts.iter_rows(named=True)}
    assert list(rows) == [2023, 2024]
    assert {k: rows[2023][k] for k in ("sites", "visits", "callouts")} == {
        "sites": 2,
        "visits": 4,
        "callouts": 1,
    }
    assert {k: rows[2024][k] for k in ("sites", "visits", "callouts")} == {
        "sites": 1,
        "visits": 1,
        "callouts": 0,
    }
    # removed and fitted at one visit is one replacement
    assert (rows[2023]["sediment_cartridge"], rows[2024]["sediment_cartridge"]) == (4, 1)
    assert (rows[2023]["quartz_sleeve"], rows[2024]["quartz_sleeve"]) == (1, 0)  # cleaning takes no part
    # the lamp of January 2023 came out after 375 days
    assert (rows[2023]["lamps_past_rating"], rows[2024]["lamps_past_rating"]) == (0, 1)


def test_too_few_records_leave_the_customary_rule_and_say_so(known) -> None:
    rule = todays_rule(known, default_settings())
    told = {row["item"]: row for row in rule.told.iter_rows(named=True)}
    assert told["sediment_cartridge"]["days"] == 182
    assert told["sediment_cartridge"]["origin"].startswith("customary")
    assert told["lateness"]["origin"].startswith("assumed")


def test_the_settings_rule_wins_and_is_named(known) -> None:
    settings = settings_from(
        {"lateness_days": 3, "component": {"quartz_sleeve": {"current_interval_days": 91}}}, "fleet.toml"
    )
    rule = todays_rule(known, settings)
    assert rule.visit_days == 91
    assert rule.lateness_days == 3
    assert rule.terms["quartz_sleeve"].current_interval_days == 91
    told = {row["item"]: row["origin"] for row in rule.told.iter_rows(named=True)}
    assert told["quartz_sleeve"] == told["visit"] == told["lateness"] == "settings"


def test_a_cleaning_takes_no_part_and_what_a_place_began_with_is_no_renewal() -> None:
    spells = pl.DataFrame(
        {
            "site_id": ["A"] * 6,
            "component": ["quartz_sleeve"] * 5 + ["uv_lamp"],
            "slot": [""] * 6,
            "renewed_by": ["fitted", "cleaned", "cleaned", "cleaned", "replaced", "fitted"],
            "fitted_on": [date(2023, month, 1) for month in (1, 3, 5, 7, 9, 1)],
        }
    )
    assert part_share(spells) == {"quartz_sleeve": 0.25, "uv_lamp": 1.0}
