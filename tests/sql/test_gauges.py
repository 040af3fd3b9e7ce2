"""Pressure readings: which say nothing, which units stood in line, and what a faulty gauge must not do."""

from __future__ import annotations

VISITS = """
visit_id,site_id,visit_date,visit_reason,inlet_pressure_kpa,outlet_pressure_kpa,pressure_read,flow_lpm
a,A,2024-01-01,commission,300,260,,
b,A,2024-03-31,routine,300,220,,12
c,A,2024-06-29,routine,300,200,,
d,A,2024-09-27,routine,300,240,after_work,
"""
WORK = """
visit_id,component,action,condition,pressure_drop_kpa
a,sediment_cartridge,fitted,,
a,carbon_cartridge,fitted,,
a,uv_lamp,fitted,,
b,sediment_cartridge,replaced,good,
c,sediment_cartridge,replaced,blocked,
d,sediment_cartridge,replaced,good,
"""


def test_the_stages_in_line_are_those_found_before_and_left_after(fleet, rows):
    known = fleet.known(visits=VISITS, work=WORK)
    assert rows(
        known.stages_read, "visit_id", "component", "age_days", "drop_kpa", "spent_seen", "usable"
    ) == [
        ("a", "carbon_cartridge", 0.0, 40.0, False, True),
        ("a", "sediment_cartridge", 0.0, 40.0, False, True),
        ("b", "carbon_cartridge", 90.0, 80.0, False, True),
        ("b", "sediment_cartridge", 90.0, 80.0, False, True),
        ("c", "carbon_cartridge", 180.0, 100.0, False, True),
        ("c", "sediment_cartridge", 90.0, 100.0, True, True),
        ("d", "carbon_cartridge", 270.0, 60.0, False, True),
        ("d", "sediment_cartridge", 0.0, 60.0, False, True),
    ]
    spells = dict(
        known.spells.filter(component="sediment_cartridge").select("fitted_on", "spell_id").iter_rows()
    )
    by_visit = known.stages_read.filter(component="sediment_cartridge").select("visit_id", "spell_id")
    first, second, _ = (spells[day] for day in sorted(spells)[:3])
    assert dict(by_visit.iter_rows())["b"] == first
    assert dict(by_visit.iter_rows())["c"] == second


def test_two_of_a_kind_an_unknown_age_or_one_spent_before_make_a_line_unusable(fleet):
    work = """
    visit_id,component,slot,action,condition
    a,sediment_cartridge,1,fitted,
    a,sediment_cartridge,2,fitted,
    """
    twice = fleet.known(visits=VISITS, work=work).stages_read
    assert twice.height == 8
    assert not twice["usable"].any()


def test_a_unit_of_unknown_age_makes_a_line_unusable(fleet):
    work = """
    visit_id,component,action,condition
    b,sediment_cartridge,inspected,good
    c,sediment_cartridge,replaced,good
    """
    found = fleet.known(visits=VISITS, work=work).stages_read
    assert dict(found.select("visit_id", "usable").iter_rows()) == {
        "a": False,
        "b": False,
        "c": False,
        "d": True,
    }


def test_a_unit_spent_before_and_left_in_place_makes_a_line_unusable(fleet):
    work = """
    visit_id,component,action,condition
    a,sediment_cartridge,fitted,
    b,sediment_cartridge,inspected,blocked
    """
    found = fleet.known(visits=VISITS, work=work).stages_read
    assert dict(found.select("visit_id", "usable").iter_rows()) == {
        "a": True,
        "b": True,
        "c": False,
        "d": False,
    }


def test_a_gauge_in_doubt_is_no_look_and_informs_of_nothing(fleet, rows):
    # the word is unknown: only the reading could say that the cartridge was still good at b
    visits = "visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-03-31\nc,A,2024-06-29\n"
    work = "visit_id,component,action,condition,pressure_drop_kpa\na,sediment_cartridge,fitted,,\n"
    work += "b,sediment_cartridge,inspected,unknown,{}\nc,sediment_cartridge,replaced,blocked,\n"
    good = fleet.known(visits=visits, work=work.format(40))
    assert rows(good.readings, "drop_kpa", "fault", "informs") == [(40.0, None, True)]
    assert rows(good.spells.head(1), "lower_days", "upper_days") == [(90.0, 180.0)]


def test_a_housing_that_shows_nothing_is_kept_with_its_fault(fleet, rows):
    visits = "visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-03-31\nc,A,2024-06-29\n"
    work = "visit_id,component,action,condition,pressure_drop_kpa\na,sediment_cartridge,fitted,,\n"
    work += "b,sediment_cartridge,inspected,unknown,0\nc,sediment_cartridge,replaced,blocked,\n"
    known = fleet.known(visits=visits, work=work)
    assert rows(known.readings, "drop_kpa", "fault", "informs") == [(0.0, "no_flow", False)]
    assert rows(known.spells.head(1), "lower_days", "upper_days") == [(0.0, 180.0)]


def test_a_reading_that_found_it_spent_tells_of_the_end_not_of_the_way(fleet, rows):
    visits = "visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-03-31\n"
    work = "visit_id,component,action,condition,pressure_drop_kpa\na,sediment_cartridge,fitted,,\n"
    work += "b,sediment_cartridge,replaced,good,130\n"
    known = fleet.known(visits=visits, work=work)
    assert rows(known.readings, "drop_kpa", "informs") == [(130.0, False)]
    assert rows(known.spells.head(1), "ended_how") == [("found_spent",)]


def test_an_outlet_without_pressure_at_callouts_may_be_true(fleet):
    visits = """
    visit_id,site_id,visit_date,visit_reason,callout_cause,inlet_pressure_kpa,outlet_pressure_kpa
    a,A,2024-01-01,commission,,300,280
    b,A,2024-03-31,callout,low_pressure,300,0
    c,A,2024-06-29,callout,low_pressure,300,0
    """
    work = "visit_id,component,action,condition\na,sediment_cartridge,fitted,\nb,sediment_cartridge,replaced,blocked\n"
    known = fleet.known(visits=visits, work=work)
    assert "gauge_at_zero" not in set(known.checks["check"])
    assert known.readings["fault"].null_count() == known.readings.height
