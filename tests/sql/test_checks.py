"""Every check trips once on records that break its rule, and keeps silent on clean ones."""

from __future__ import annotations

import pytest

from fleetstats.models import checks

CLEAN = {
    "sites": "site_id,tank_installed,left_on\nA,2010-05-01,\n",
    "visits": """
    visit_id,site_id,visit_date,visit_reason,callout_cause,reported_on,inlet_pressure_kpa,outlet_pressure_kpa,meter_m3,lamp_days_left
    a,A,2024-01-01,commission,,,300,280,0,365
    b,A,2024-03-01,routine,,,300,280,10,305
    c,A,2024-04-30,callout,low_pressure,2024-04-25,300,200,20,245
    d,A,2024-06-29,routine,,,300,280,30,
    """,
    "work": """
    visit_id,component,action,condition,part_number,fitted_on,pressure_drop_kpa
    a,sediment_cartridge,fitted,,P1,,
    a,uv_lamp,fitted,,P2,,
    b,sediment_cartridge,inspected,good,,,40
    c,sediment_cartridge,replaced,blocked,P1,,120
    d,uv_lamp,replaced,expired,P2,,
    """,
    "parts": "part_number,component\nP1,sediment_cartridge\nP2,uv_lamp\n",
}


def changed(**tables):
    """Return the clean records with some text of some tables put in place of other text."""
    broken = dict(CLEAN)
    for name, (old, new) in tables.items():
        assert old in broken[name], old
        broken[name] = broken[name].replace(old, new)
    return broken


#: check -> (records that trip it, the site and visit that it must name)
BROKEN = {
    "visit_before_tank": (changed(sites=("2010-05-01", "2024-02-01")), ("A", "a")),
    "meter_backwards": (changed(visits=("280,10,305", "280,25,305")), ("A", "c")),
    "outlet_above_inlet": (changed(visits=("300,280,10", "300,380,10")), ("A", "b")),
    "lamp_counter_contradicts": (changed(visits=("20,245", "20,300")), ("A", "c")),
    "lamp_counter_reset": (changed(visits=("20,245", "20,360")), ("A", "c")),
    "good_word_over_limit": (changed(work=("inspected,good,,,40", "inspected,good,,,100")), ("A", "b")),
    "never_visited": (changed(sites=("A,2010-05-01,", "A,2010-05-01,\nB,,")), ("B", None)),
    "zero_days_long": (changed(visits=("c,A,2024-04-30", "c,A,2024-01-01")), ("A", "c")),
    "overlapping_spells": (
        changed(
            work=(
                "d,uv_lamp,replaced,expired,P2,,",
                "b,uv_lamp,removed,good,,,\nd,uv_lamp,inspected,,,2024-02-01,",
            )
        ),
        ("A", "d"),
    ),
    "lost_to_view": (changed(visits=("d,A,2024-06-29", "d,A,2024-03-02")), ("A", None)),
    "component_not_defined": (changed(work=("b,sediment_cartridge", "b,softener")), (None, None)),
    "fitted_over_occupied": (changed(work=("cartridge,replaced", "cartridge,fitted")), ("A", "c")),
    "fitted_on_contradicts": (changed(work=("good,,,40", "good,,2023-12-01,40")), ("A", "b")),
    "cause_without_callout": (changed(visits=("callout,low_pressure", "routine,low_pressure")), ("A", "c")),
    "visit_after_left": (changed(sites=("2010-05-01,", "2010-05-01,2024-06-01")), ("A", "d")),
    "report_before_last_look": (changed(visits=("2024-04-25", "2024-02-25")), ("A", "c")),
    "good_after_spent": (
        changed(
            work=(
                "inspected,good,,,40\n    c,sediment_cartridge,replaced,blocked,P1,,120",
                "inspected,blocked,,,\n    c,sediment_cartridge,inspected,good,,,",
            )
        ),
        ("A", "c"),
    ),
    "visits_same_day": (changed(visits=("d,A,2024-06-29", "d,A,2024-04-30")), ("A", "d")),
    "part_of_another_component": (changed(parts=("P2,uv_lamp", "P2,quartz_sleeve")), (None, "a")),
    "part_not_listed": (changed(parts=("P2,uv_lamp", "P3,uv_lamp")), (None, "a")),
    "cut_by_refused_row": (changed(work=("cartridge,inspected", "cartridge,looked at")), ("A", "b")),
}


def test_every_check_is_tried():
    assert set(BROKEN) == {check.name for check in checks()}


def test_clean_records_trip_no_check(fleet, rows):
    assert rows(fleet.known(**CLEAN).checks, "check", "message") == []


@pytest.mark.parametrize("check", BROKEN)
def test_check_trips_once(fleet, rows, check):
    tables, named = BROKEN[check]
    known = fleet.known("2024-08-01" if check == "lost_to_view" else None, **tables)
    found = known.checks.filter(check=check)
    assert rows(found, "site_id", "visit_id") == [named]
    assert set(found["severity"]) <= {"warning", "note"}
    assert found["message"][0]
    assert found["what_to_do"][0]


def test_a_counter_that_stands_at_nought_is_no_contradiction(fleet):
    visits = (
        "visit_id,site_id,visit_date,lamp_days_left\na,A,2024-01-01,30\nb,A,2024-03-01,0\nc,A,2024-04-30,0\n"
    )
    known = fleet.known(visits=visits, work="visit_id,component,action,condition\na,uv_lamp,inspected,good\n")
    assert "lamp_counter_contradicts" not in set(known.checks["check"])


def test_checks_see_no_later_visit(fleet):
    fleet.load(**BROKEN["meter_backwards"][0])
    assert "meter_backwards" in set(fleet.known().checks["check"])
    assert "meter_backwards" not in set(fleet.known("2024-04-01").checks["check"])
