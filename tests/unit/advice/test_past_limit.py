"""Units past their hard limit on the due list: due now, in their turn, and told with the limit and the day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest

from fleetstats.advice import ComponentTerms, due_list
from fleetstats.advice.due_words import reason
from fleetstats.components import CARTRIDGE, LAMP, OTHER, ROLES, SLEEVE

from .conftest import AS_OF, KINDS, Fleet

DAY = timedelta(days=1)
UNIT = pl.col("site_id") + "/" + pl.col("component")
LIVES = {"sediment_cartridge": 900, "uv_lamp": 2000, "quartz_sleeve": 900}


@pytest.fixture
def fleet(make_fleet: Callable[..., Fleet]) -> Fleet:
    made = make_fleet(sites=6, lives=LIVES, spread=0.05)
    made.units = made.units.with_columns(fitted_on=pl.lit(AS_OF - 60 * DAY), survived_days=60.0)
    return made


def aged(fleet: Fleet, days: dict[str, int]) -> None:
    """Give some units, named site/component, an age in days; they were good until then."""
    for unit, age in days.items():
        fleet.units = fleet.units.with_columns(
            fitted_on=pl.when(unit == UNIT).then(pl.lit(AS_OF - age * DAY)).otherwise("fitted_on"),
            survived_days=pl.when(unit == UNIT).then(float(age)).otherwise("survived_days"),
        )


def due(fleet: Fleet) -> pl.DataFrame:
    fleet.terms = replace(fleet.terms, lateness_days=18)
    visits = pl.DataFrame(
        {"site_id": fleet.sites["site_id"], "visit_date": AS_OF - 30 * DAY, "visit_reason": "routine"}
    )
    return due_list(
        sites=fleet.sites, units=fleet.units, visits=visits, intervals=fleet.plan().intervals,
        lives=fleet.lives, components=fleet.kinds, as_of=AS_OF, lateness_days=18,
    )  # fmt: skip


def line(found: pl.DataFrame, unit: str) -> dict:
    return found.filter(unit == UNIT).row(0, named=True)


def test_a_sleeve_past_its_longest_time_is_as_urgent_as_a_lamp_and_due_now(fleet: Fleet) -> None:
    aged(fleet, {"S003/quartz_sleeve": 202})
    found = due(fleet)
    sleeve = line(found, "S003/quartz_sleeve")
    assert (sleeve["urgency"], sleeve["visit_from"], sleeve["visit_by"]) == (1, AS_OF, AS_OF)
    assert sleeve["action"] == "clean"
    assert sleeve["reason"] == (  # 202 days before 30 June 2025 is 10 December 2024, and 182 on 10 June
        "The sleeve passed the longest time between cleanings, 182 days, on 10 Jun 2025. "
        "In since 10 Dec 2024 (29 weeks)."
    )
    assert found.select(UNIT).to_series()[0] == "S003/quartz_sleeve"


def test_a_late_lamp_is_known_as_such_where_a_failed_sample_makes_all_of_the_site_urgent(
    fleet: Fleet,
) -> None:
    aged(fleet, {"S003/uv_lamp": 400, "S004/uv_lamp": 300})
    fleet.sites = fleet.sites.with_columns(failed_sample_open=pl.col("site_id").is_in(["S003", "S004"]))
    found = due(fleet)
    lamps = [line(found, f"{site}/uv_lamp") for site in ("S003", "S004")]
    assert [(row["urgency"], row["uv_late"]) for row in lamps] == [(0, True), (0, False)]
    assert found.select(UNIT).to_series()[0] == "S003/uv_lamp"


@pytest.mark.parametrize(("age", "urgency"), [(182, 2), (183, 1)])
def test_the_day_after_its_longest_time_makes_a_sleeve_urgent(fleet: Fleet, age: int, urgency: int) -> None:
    aged(fleet, {"S003/quartz_sleeve": age})
    assert line(due(fleet), "S003/quartz_sleeve")["urgency"] == urgency


def test_lamps_come_before_sleeves_and_both_before_cartridges_past_their_limit(fleet: Fleet) -> None:
    aged(fleet, {"S001/sediment_cartridge": 400, "S002/quartz_sleeve": 900, "S004/uv_lamp": 366})
    found = due(fleet)
    heads = found.select(UNIT).to_series().to_list()[:3]
    assert heads == ["S004/uv_lamp", "S002/quartz_sleeve", "S001/sediment_cartridge"]
    assert found["urgency"].to_list()[:4] == [1, 1, 2, 2]


def test_a_cartridge_past_its_longest_time_is_due_now_before_those_that_are_only_at_risk(
    fleet: Fleet,
) -> None:
    fleet.lives["sediment_cartridge"].location[4] -= 3.0  # hardly lasts: nearly certain to be spent
    aged(fleet, {"S001/sediment_cartridge": 400})
    found = due(fleet)
    cartridge, risky = line(found, "S001/sediment_cartridge"), line(found, "S004/sediment_cartridge")
    assert cartridge["visit_by"] == AS_OF
    assert cartridge["chance_already_spent"] < risky["chance_already_spent"]
    order = found.select(UNIT).to_series().to_list()
    assert order.index("S001/sediment_cartridge") < order.index("S004/sediment_cartridge")
    assert cartridge["reason"].startswith(
        "The cartridge passed the longest time one stays in, 365 days, on 26 May 2025."
    )


def test_what_is_known_to_be_spent_does_not_fall_behind_what_is_only_old(fleet: Fleet) -> None:
    aged(fleet, {"S001/sediment_cartridge": 400})
    spent = UNIT == "S005/sediment_cartridge"
    fleet.units = fleet.units.with_columns(spent_seen=pl.when(spent).then(True).otherwise("spent_seen"))
    assert due(fleet).select(UNIT).to_series().to_list()[:2] == [
        "S005/sediment_cartridge", "S001/sediment_cartridge",
    ]  # fmt: skip


def told(**more: object) -> str:
    row = {
        "component": "carbon_cartridge", "failed_sample_open": False, "open_alarm": False, "removed": False,
        "spent_seen": False, "age_unknown": False, "overdue": True, "renewed": True, "by_limit": False,
        "deadline": "site_limit", "deadline_days": 122.0, "interval_days": 112.0,
        "fitted_on": date(2026, 1, 22), "age_days": 157,
    }  # fmt: skip
    return reason(row | more, KINDS[str((row | more)["component"])].role)


def test_each_limit_is_told_by_its_name_with_the_day_it_was_passed() -> None:
    assert told() == (
        "The cartridge passed the 122 days agreed for this site, on 24 May 2026. "
        "In since 22 Jan 2026 (22 weeks)."
    )
    assert "passed its rated life of 122 days, on 24 May" in told(deadline="rated_life")
    assert "passed what was usual here before the alarm, on 24 May" in told(deadline="open_alarm")


def test_reasons_tell_since_when_a_unit_is_in_or_that_nobody_knows() -> None:
    calm = {"overdue": False, "renewed": False, "carried": False}
    assert told(**calm).endswith("look at it. In since 22 Jan 2026 (22 weeks).")
    assert told(**calm, age_days=8).endswith("(1 week).")
    assert told(**calm, age_days=1).endswith("(under a week).")
    sleeve = {**calm, "component": "quartz_sleeve"}
    assert told(**sleeve, renewed_by="fitted").endswith("In since 22 Jan 2026 (22 weeks).")
    assert told(**sleeve, renewed_by="cleaned").endswith("Cleaned on 22 Jan 2026 (22 weeks ago).")
    assert told(**calm, put_in_noted_on=date(2026, 3, 1)).endswith("(22 weeks), as noted on 1 Mar 2026.")
    unknown = {**calm, "age_unknown": True, "fitted_on": None, "age_days": None}
    assert told(**unknown) == "Nobody has written down when this cartridge went in, so it is treated as due."
    assert told(**unknown, spent_seen=True).endswith("The date it was fitted is not known.")
    assert "since" not in told(**unknown, removed=True)


@pytest.mark.parametrize("name", ["uv_bulb", "lamp_holder", "softener_2"])
def test_what_belongs_to_the_uv_unit_is_told_by_its_role_or_by_failing_unseen_whatever_its_name(
    name: str,
) -> None:
    within = {role: ComponentTerms(name, role).of_uv_unit for role in ROLES.values()}
    assert within == {CARTRIDGE: False, LAMP: True, SLEEVE: True, OTHER: False}
    assert all(ComponentTerms(name, role, announced=False).of_uv_unit for role in ROLES.values())
    assert [name for name, kind in KINDS.items() if kind.of_uv_unit] == ["uv_lamp", "quartz_sleeve"]
