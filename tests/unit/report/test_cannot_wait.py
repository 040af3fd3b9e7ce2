"""What the owner is told first: units past a hard limit, and lamps and sleeves likelier spent than not."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from fleetstats.report import Results
from fleetstats.report.pages.cannot_wait import Waiting, cannot_wait
from fleetstats.report.tables import Table
from tests.report_fixture import AS_OF, display


def unit(site: str, component: str, age: float | None, deadline: str | None, days: float | None) -> dict:
    fitted = None if age is None else AS_OF - timedelta(days=int(age))
    return {"site_id": site, "component": component, "slot": "", "fitted_on": fitted, "age_days": age,
            "served": True, "removed": False, "deadline": deadline, "deadline_days": days}  # fmt: skip


def waiting(rows: list[dict], **more: pl.DataFrame) -> Waiting:
    frame = pl.DataFrame(rows, infer_schema_length=None)
    sites = pl.DataFrame({"site_id": frame["site_id"].unique().sort()})
    planned = frame.with_columns(interval_days=pl.lit(182.0)).drop("fitted_on", "age_days", "served")
    return cannot_wait(
        Results(AS_OF, display(), sites=sites, in_place=frame, intervals=planned.drop("removed"), **more)
    )


def column(table: Table, name: str) -> list[str]:
    at = [item.name for item in table.columns].index(name)
    return [row[at].shown for row in table.rows]


def test_lamps_and_sleeves_past_a_limit_come_before_cartridges_each_with_its_limit_and_day() -> None:
    found = waiting([
        unit("a", "sediment_cartridge", 499.0, "ceiling", 365.0),
        unit("b", "quartz_sleeve", 202.0, "ceiling", 182.0),
        unit("c", "quartz_sleeve", 182.0, "ceiling", 182.0),
        unit("d", "quartz_sleeve", 157.0, "site_limit", 122.0),
        unit("e", "uv_lamp", 366.0, "rated_life", 365.0),
        unit("f", "uv_lamp", 20.0, "rated_life", 365.0),
    ])  # fmt: skip
    assert found.overdue_told == (
        "Past the longest time they may stay in as they are: 1 of 2 UV lamps, 2 of 3 quartz sleeves and "
        "1 of 1 sediment cartridge."
    )
    assert column(found.overdue, "site") == ["e", "d", "b", "a"]
    assert column(found.overdue, "limit") == [
        "rated life", "limit of this site", "longest time between cleanings", "longest time in service",
    ]  # fmt: skip
    assert column(found.overdue, "age_days") == ["366 days", "157 days", "202 days", "499 days"]
    day = AS_OF - timedelta(days=20)
    assert column(found.overdue, "passed_on")[2] == f"{day.day} {day:%b %Y}"
    assert found.overdue.csv_href == "data/past-limit.csv"
    assert found.unwritten == ()


def test_without_any_past_its_limit_the_page_says_so() -> None:
    found = waiting([unit("c", "quartz_sleeve", 182.0, "ceiling", 182.0)])
    assert found.overdue_told.startswith("No unit in service is known to be past")
    assert found.overdue.rows == ()


def test_planned_visits_that_say_nothing_of_a_unit_are_told_as_records_that_may_be_missing() -> None:
    units = [unit(site, "quartz_sleeve", 300.0, "ceiling", 182.0) for site in "abcd"]
    visits = pl.DataFrame(
        [
            {"visit_id": f"{site}{days}", "site_id": site, "visit_date": AS_OF - timedelta(days=days),
             "visit_reason": reason}
            for site, days, reason in (
                ("a", 300, "routine"), ("a", 100, "routine"), ("a", 10, "routine"),  # twice nothing said
                ("b", 100, "routine"),  # looked at
                ("c", 100, "callout"),  # nobody came for it
                ("d", 100, "routine"),  # another part's work
            )
        ]
    )  # fmt: skip
    work = pl.DataFrame(
        [
            {"visit_id": "b100", "component": "quartz_sleeve", "slot": None, "action": "inspected"},
            {"visit_id": "d100", "component": "uv_lamp", "slot": None, "action": "replaced"},
        ]
    )
    found = waiting(units, visits=visits, work=work)
    assert dict(
        zip(
            column(found.overdue, "site"), column(found.overdue, "visits_without_a_word"), strict=True
        )
    ) == {"a": "2", "b": "0", "c": "0", "d": "1"}  # fmt: skip
    (told,) = found.unwritten  # four late sleeves are no wave
    assert told.startswith("For 2 of them a planned visit since says nothing of the unit.")
    assert "until then it counts as not done" in told


@pytest.mark.parametrize(("fresh", "silent", "wave"), [(5, 3, True), (6, 3, False), (5, 2, False)])
def test_a_wave_of_late_units_passed_over_in_silence_is_told_as_records_missing(
    fresh: int, silent: int, wave: bool
) -> None:
    units = [unit(f"l{n}", "quartz_sleeve", 300.0, "ceiling", 182.0) for n in range(5)]
    units += [unit(f"f{n}", "quartz_sleeve", 20.0, "ceiling", 182.0) for n in range(fresh)]
    visits = pl.DataFrame(
        {
            "visit_id": [f"v{n}" for n in range(silent)], "site_id": [f"l{n}" for n in range(silent)],
            "visit_date": AS_OF - timedelta(days=100), "visit_reason": "routine",
        }
    )  # fmt: skip
    told = waiting(units, visits=visits).unwritten
    assert len(told) == 1 + wave
    if wave:
        assert told[1].startswith(
            "That 5 of 10 quartz sleeves are late, 3 of them after planned visits, looks"
        )


def chance(site: str, component: str, value: float | None) -> dict:
    return {"site_id": site, "component": component, "slot": "", "interval_days": 56.0,
            "failure_chance": value, "failure_chance_low": 0.4, "failure_chance_high": 0.8,
            "spells": 9, "failures": 6}  # fmt: skip


def test_sleeves_and_lamps_likelier_spent_than_not_are_told_with_what_to_do() -> None:
    rows = [
        chance("a", "quartz_sleeve", 0.62), chance("b", "quartz_sleeve", 0.5), chance("c", "uv_lamp", 0.7),
        chance("d", "sediment_cartridge", 0.9), chance("e", "quartz_sleeve", None),
    ]  # fmt: skip
    sites = pl.DataFrame({"site_id": list("abcde"), "hardness_mg_l": [310.0, None, None, None, None]})
    found = cannot_wait(
        Results(AS_OF, display(), sites=sites, intervals=pl.DataFrame(rows, infer_schema_length=None))
    )
    assert column(found.likely, "site") == ["c", "a"]
    assert column(found.likely, "failure_chance") == [
        "7 in 10 (4 in 10 to 8 in 10)", "6 in 10 (4 in 10 to 8 in 10)",
    ]  # fmt: skip
    assert column(found.likely, "hardness_mg_l") == ["not measured", "310"]
    assert column(found.likely, "records") == ["9 fittings, 6 dead", "9 fittings, 6 scaled"]
    lamp, sleeve, caution = found.likely_told
    assert lamp.startswith("At 1 home the UV lamp is likelier dead than not before its next renewal")
    assert sleeve.startswith("At 1 home the quartz sleeve is likelier scaled than not before its next clean")
    assert all(word in sleeve for word in ("Clean sooner", "hardness", "licensed practitioner", "softening"))
    assert "it says nothing of the water in between" in caution
    for word in ("safe", "protected", "pure", "compliant"):
        assert word not in " ".join(found.likely_told).lower()


def test_where_no_lamp_or_sleeve_is_likelier_spent_nothing_is_said() -> None:
    found = cannot_wait(Results(AS_OF, display(), intervals=pl.DataFrame([chance("b", "uv_lamp", 0.5)])))
    assert (found.likely.rows, found.likely_told) == ((), ())
