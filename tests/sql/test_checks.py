"""Every check trips once on records that break its rule, and keeps silent on clean ones."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from fleetstats.models import checks
from fleetstats.store import Store
from tests.conftest import sites_of

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


def found_by(**blocked: int) -> dict[str, str]:
    """Return records of 30 sites a technician, whose cartridges are seen at 100 days: so many are blocked."""
    visits, work = ["visit_id,site_id,visit_date,technician"], ["visit_id,component,action,condition"]
    for name, found in blocked.items():
        for n in range(30):
            visits += [f"{name}{n},{name}{n},2024-01-01,{name}", f"{name}{n}b,{name}{n},2024-04-10,{name}"]
            work += [
                f"{name}{n},sediment_cartridge,fitted,",
                f"{name}{n}b,sediment_cartridge,replaced,{'blocked' if n < found else 'good'}",
            ]
    return {"visits": "\n".join(visits), "work": "\n".join(work)}


def gauged(faulty_inlet="300", faulty_outlet="280", faulty_drop="20") -> dict[str, str]:
    """Return records of 30 sites read once each, all stages and one housing; the faulty one is site z."""
    visits = ["visit_id,site_id,visit_date,visit_reason,inlet_pressure_kpa,outlet_pressure_kpa"]
    work = ["visit_id,component,action,condition,pressure_drop_kpa"]
    for site in [*(f"s{n}" for n in range(30)), "z"]:
        inlet, outlet, drop = (faulty_inlet, faulty_outlet, faulty_drop) if site == "z" else (300, 280, 20)
        visits += [
            f"{site}a,{site},2024-01-01,commission,,",
            f"{site}b,{site},2024-04-10,routine,{inlet},{outlet}",
        ]
        work += [f"{site}a,sediment_cartridge,fitted,,", f"{site}b,sediment_cartridge,replaced,good,{drop}"]
    return {"visits": "\n".join(visits), "work": "\n".join(work)}


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
    "lost_to_view": (changed(visits=("d,A,2024-06-29", "d,A,2024-03-02")), ("A", "c")),
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
    "nothing_in_place": (
        changed(
            work=(
                "d,uv_lamp,replaced,expired,P2,,",
                "b,uv_lamp,removed,failed,,,\n    d,uv_lamp,inspected,good,,,",
            )
        ),
        ("A", "d"),
    ),
    "commission_not_first": (
        changed(visits=("b,A,2024-03-01,routine", "b,A,2024-03-01,commission")),
        ("A", "b"),
    ),
    "renewed_twice": (
        changed(work=("d,uv_lamp", "c,sediment_cartridge,fitted,,P1,,\n    d,uv_lamp")),
        ("A", "c"),
    ),
    "never_looked_at": (
        changed(visits=("d,A,2024-06-29", "e,A,2025-05-30,routine,,,,,,\n    d,A,2024-06-29")),
        ("A", None),
    ),
    "technician_findings_differ": (found_by(north=4, south=4, odd=24), (None, None)),
    "gauge_at_zero": (changed(visits=("300,280,30,", "0,0,30,")), ("A", "d")),
    "gauge_without_flow": (changed(visits=("300,280,10", "300,300,10")), ("A", "b")),
    "gauge_in_psi": (gauged(faulty_inlet="43.5", faulty_outlet="40.6"), ("z", "zb")),
    "housing_bypassed": (gauged(faulty_drop="2"), ("z", "zb")),
    "lamp_parts_alternate": (
        changed(
            work=(
                "b,sediment_cartridge,inspected,good,,,40",
                "b,uv_lamp,replaced,good,P9,,\n    b,sediment_cartridge,inspected,good,,,40",
            ),
            parts=("P2,uv_lamp", "P2,uv_lamp\nP9,uv_lamp"),
        ),
        ("A", "d"),
    ),
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


#: Lamp counters of one lamp, read at 2024-01-01, 2024-03-01 (60 days on) and 2024-12-26 (300 days more).
STOPPED = {"runs out": "150,90,0", "stands at nought": "30,0,0", "stopped a little early": "380,310,0"}


@pytest.mark.parametrize("how", STOPPED)
def test_a_counter_that_stops_at_nought_contradicts_nothing(fleet, how):
    first, second, third = STOPPED[how].split(",")
    known = fleet.known(
        visits="visit_id,site_id,visit_date,lamp_days_left\n"
        f"a,A,2024-01-01,{first}\nb,A,2024-03-01,{second}\nc,A,2024-12-26,{third}\n",
        work="visit_id,component,action,condition\na,uv_lamp,fitted,\nb,uv_lamp,inspected,good\n",
    )
    assert not {name for name in known.checks["check"] if name.startswith("lamp_counter")}


def test_a_counter_at_nought_long_before_its_time_contradicts(fleet):
    known = fleet.known(
        visits="visit_id,site_id,visit_date,lamp_days_left\n"
        "a,A,2024-01-01,365\nb,A,2024-03-01,305\nc,A,2024-06-01,0\n",
        work="visit_id,component,action\na,uv_lamp,fitted\n",
    )
    assert "lamp_counter_contradicts" in set(known.checks["check"])


def test_what_went_in_at_the_last_visit_of_a_site_lost_or_left_did_not_come_out(fleet):
    known = fleet.known(
        "2026-06-01",
        sites="site_id,left_on\nlost,\nleft,2024-07-01\n",
        visits="""
        visit_id,site_id,visit_date
        a,lost,2024-01-01
        b,lost,2024-07-01
        c,left,2024-01-01
        d,left,2024-07-01
        """,
        work="visit_id,component,action\na,uv_lamp,fitted\nb,uv_lamp,replaced\nc,uv_lamp,fitted\nd,uv_lamp,replaced\n",
    )
    in_last = known.left_out.filter(reason="zero_days").sort("site_id")
    assert in_last.select("site_id", "ended_how").rows() == [("left", "left"), ("lost", "left")]
    assert set(known.checks["check"]) == {"lost_to_view"}


@pytest.mark.parametrize(
    ("changes", "tank_installed"),
    [("A,2024-05-01,tank", "2024-05-01"), ("A,2020-01-01,pump", "2024")],
    ids=["a new tank since", "a year alone"],
)
def test_visits_to_the_tank_before_are_no_contradiction(fleet, changes, tank_installed):
    tables = changed(sites=("2010-05-01", tank_installed))
    known = fleet.known(**tables, changes=f"site_id,changed_on,kind\n{changes}\n")
    assert "visit_before_tank" not in set(known.checks["check"])


METERS = {
    "90,95,20,25": ("c", "the next goes on from it, so the meter looks replaced"),
    "90,95,20,97": ("c", "the next reads 97.0, so this one looks misread"),
    "90,950,97,99": ("c", "it fits the one before that, so 950.0 looks misread"),
    "90,95,98,20": ("d", "misread, or another meter"),
}


@pytest.mark.parametrize("readings", METERS)
def test_what_the_readings_around_make_of_a_meter_that_ran_backwards(fleet, readings):
    days = ("2024-01-01", "2024-03-01", "2024-06-01", "2024-09-01")
    lines = [f"{v},A,{day},{m3}" for v, day, m3 in zip("abcd", days, readings.split(","), strict=True)]
    known = fleet.known(
        visits="visit_id,site_id,visit_date,meter_m3\n" + "\n".join(lines),
        work="visit_id,component,action\na,uv_lamp,fitted\n",
    )
    visit, verdict = METERS[readings]
    ((found, message),) = known.checks.filter(check="meter_backwards").select("visit_id", "message").rows()
    assert found == visit
    assert message.endswith(verdict)
    assert f"visits.csv line {'abcd'.index(visit) + 2}" in message


@pytest.mark.parametrize(
    "blocked",
    [{"north": 10, "south": 11, "odd": 12}, {"north": 15, "south": 15, "odd": 24}, {"alone": 24}],
    ids=["as chance has it", "not half as many again", "nobody to compare with"],
)
def test_findings_as_the_others_have_them_raise_no_question(fleet, blocked):
    assert "technician_findings_differ" not in set(fleet.known(**found_by(**blocked)).checks["check"])


def test_older_units_explain_more_findings(fleet):
    """The same findings, but the odd one's cartridges were a year old: with no other's to compare them."""
    tables = found_by(north=4, south=4, odd=24)
    later = "\n".join(
        line.replace("2024-04-10", "2025-01-10") if line.startswith("odd") else line
        for line in tables["visits"].split("\n")
    )
    assert "technician_findings_differ" not in set(fleet.known(**{**tables, "visits": later}).checks["check"])


def test_the_question_about_findings_is_about_records(fleet):
    known = fleet.known(**BROKEN["technician_findings_differ"][0])
    (row,) = known.checks.filter(check="technician_findings_differ").rows(named=True)
    # of 90 looks at one age 32 found the end: 30 * 32 / 90 = 10.67 would be expected under each label
    assert row["message"].startswith("under odd, 24 of 30 looks at routine visits found the end of life; ")
    assert row["message"].endswith("it would be 10.7")
    assert row["what_to_do"].startswith("a question about the records, not about a person")
    assert (row["severity"], row["rows"]) == ("note", 30)


def test_chance_alone_raises_the_question_about_findings_in_less_than_one_fleet_of_a_hundred(fleet):
    """Ten labels, forty looks each, 30 % found spent whoever looks; families of tests at 1 in 100."""
    rng = random.Random(5)
    named = 0
    for trial in range(12):
        blocked = {f"t{trial}x{n}": sum(rng.random() < 0.3 for _ in range(30)) for n in range(10)}
        tables = found_by(**blocked)
        sites = sites_of(tables["visits"])
        with Store(":memory:") as store:
            known = replace(fleet, store=store).known(sites=sites, **tables)
        named += known.checks.filter(check="technician_findings_differ").height
    assert named == 0


def test_checks_see_no_later_visit(fleet):
    fleet.load(**BROKEN["meter_backwards"][0])
    assert "meter_backwards" in set(fleet.known().checks["check"])
    assert "meter_backwards" not in set(fleet.known("2024-04-01").checks["check"])


@pytest.mark.parametrize(
    ("parts", "told"),
    [
        ("P,P,P,P", None),
        ("P,P,Q,Q", None),  # another type for good
        ("P,,P,", None),
        ("P,Q,P,P", "changes its part 2 times and back: P, Q, P"),
        ("P,Q,P,Q", "changes its part 3 times and back: P, Q, P, Q"),
    ],
)
def test_a_lamp_of_another_type_is_a_warning_only_where_the_first_comes_back(fleet, parts, told):
    days = ("2024-01-01", "2024-07-01", "2025-01-01", "2025-07-01")
    visits = "\n".join(f"{visit},A,{day}" for visit, day in zip("abcd", days, strict=True))
    work = "\n".join(
        f"{visit},uv_lamp,replaced,,{part}" for visit, part in zip("abcd", parts.split(","), strict=True)
    )
    known = fleet.known(
        visits=f"visit_id,site_id,visit_date\n{visits}",
        work=f"visit_id,component,action,condition,part_number\n{work}",
        parts="part_number,component\nP,uv_lamp\nQ,uv_lamp\n",
    )
    found = known.checks.filter(check="lamp_parts_alternate")["message"].to_list()
    assert [message.partition(": uv_lamp ")[2] for message in found] == ([told] if told else [])
