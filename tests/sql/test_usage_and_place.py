"""Water, readings, alarms, and what is in place."""

from __future__ import annotations

from datetime import date

import pytest

LAMP = "visit_id,component,action,condition\na,uv_lamp,fitted,\n"


def metered(*readings):
    return "visit_id,site_id,visit_date,meter_m3\n" + "\n".join(
        f"v{i},A,{day},{meter}" for i, (day, meter) in enumerate(readings)
    )


def test_water_passed_is_read_between_readings_in_a_straight_line(fleet, rows):
    # 10 m3 in 100 days, then 30 m3 in 100 days; the cartridge sat from day 50 to day 150: 5 + 15 m3
    known = fleet.known(
        visits=metered(
            ("2024-01-01", 0), ("2024-02-20", ""), ("2024-04-10", 10), ("2024-05-30", ""), ("2024-07-19", 40)
        ),
        work="visit_id,component,action,condition\nv1,sediment_cartridge,fitted,\nv3,sediment_cartridge,removed,good\n",
    )
    assert rows(known.spells, "litres", "daily_litres") == [(20000.0, 200.0)]
    assert rows(known.sites, "daily_litres", "daily_litres_source") == [(200.0, "meter")]


def test_a_meter_that_was_replaced_is_not_counted_over_the_gap(fleet, rows):
    # 100 days at 100 L/day, a new meter in the next 100, 100 days at 300 L/day
    known = fleet.known(
        visits=metered(("2024-01-01", 500), ("2024-04-10", 510), ("2024-07-19", 2), ("2024-10-27", 32)),
        work="visit_id,component,action,condition\nv0,sediment_cartridge,fitted,\nv3,sediment_cartridge,removed,good\n",
    )
    assert rows(known.spells, "litres", "daily_litres") == [(None, 200.0)]
    assert rows(known.sites, "daily_litres") == [(200.0,)]


def test_without_a_meter_use_is_left_to_the_occupants(fleet, rows):
    known = fleet.known(
        sites="site_id,occupants\nA,3\nB,\n",
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,B,2024-01-01\nc,A,2024-02-01\n",
        work=LAMP,
    )
    assert rows(known.sites, "daily_litres", "daily_litres_source") == [
        (None, "occupants"),
        (None, "unknown"),
    ]
    assert rows(known.spells, "litres", "daily_litres") == [(None, None)]


def test_readings_across_one_housing_and_across_all(fleet, rows):
    known = fleet.known(
        visits="""
        visit_id,site_id,visit_date,visit_reason,inlet_pressure_kpa,outlet_pressure_kpa,pressure_read,flow_lpm
        a,A,2024-01-01,commission,300,280,,
        b,A,2024-05-31,routine,300,220,,12
        c,A,2024-06-30,routine,300,290,after_work,
        d,A,2024-07-30,routine,250,260,,
        """,
        work="""
        visit_id,component,action,condition,pressure_drop_kpa
        a,sediment_cartridge,fitted,,
        b,sediment_cartridge,replaced,good,55
        """,
    )
    assert rows(
        known.readings, "visit_id", "component", "age_days", "drop_kpa", "flow_lpm", "read_before_work"
    ) == [
        ("a", None, None, 20.0, None, False),
        ("b", None, None, 80.0, 12.0, True),
        ("b", "sediment_cartridge", 151.0, 55.0, 12.0, True),
        ("c", None, None, 10.0, None, False),
    ]
    assert known.readings["spell_id"].to_list() == [None, None, known.spells["spell_id"][0], None]


def test_in_place_says_what_was_seen_last(fleet, rows):
    known = fleet.known(
        "2024-06-30",
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-03-01\nc,A,2024-05-31\n",
        work="""
        visit_id,component,action,condition
        a,uv_lamp,fitted,
        a,quartz_sleeve,fitted,
        a,sediment_cartridge,fitted,
        b,quartz_sleeve,inspected,loaded
        b,sediment_cartridge,inspected,good
        c,sediment_cartridge,inspected,blocked
        """,
    )
    columns = (
        "component",
        "age_days",
        "last_look_on",
        "last_look_age_days",
        "survived_days",
        "spent_seen",
        "last_condition",
    )
    assert rows(known.in_place, *columns) == [
        ("quartz_sleeve", 181.0, date(2024, 3, 1), 60.0, 60.0, False, "loaded"),
        ("sediment_cartridge", 181.0, date(2024, 5, 31), 151.0, 60.0, True, "blocked"),
        ("uv_lamp", 181.0, None, None, 181.0, False, None),
    ]


VISITS = (
    "visit_id,site_id,visit_date,visit_reason,callout_cause\n"
    "a,A,2024-01-01,,\nb,A,2024-03-01,callout,{cause}\nc,A,2024-05-31,,\n"
)


@pytest.mark.parametrize(
    ("cause", "work", "is_open"),
    [
        ("low_pressure", "", False),
        ("uv_alarm", "", True),
        ("uv_alarm", "b,uv_lamp,replaced,failed", False),
        ("uv_alarm", "b,uv_lamp,inspected,good", False),
        ("uv_alarm", "b,uv_lamp,inspected,failed", True),
        ("uv_alarm", "b,quartz_sleeve,cleaned,scaled", True),
        ("uv_alarm", "b,uv_lamp,inspected,failed\nc,uv_lamp,replaced,failed", False),
        ("", "b,uv_lamp,inspected,failed", True),
        ("", "b,uv_lamp,removed,good", True),  # bypassed
        ("", "b,uv_lamp,removed,good\nc,uv_lamp,fitted,", False),
    ],
)
def test_open_alarm(fleet, rows, cause, work, is_open):
    known = fleet.known(visits=VISITS.format(cause=cause), work=LAMP + work)
    assert rows(known.sites, "open_alarm") == [(is_open,)]


@pytest.mark.parametrize(
    ("cause", "samples", "is_open"),
    [
        ("", "A,2024-03-01,coliforms,no", True),
        ("", "A,2024-03-01,coliforms,no\nA,2024-04-01,coliforms,yes", False),
        ("", "A,2024-03-01,coliforms,no\nA,2024-04-01,lead,yes", True),
        ("", "A,2024-03-01,coliforms,no\nA,2024-02-01,coliforms,yes", True),
        ("", "A,2024-03-01,coliforms,yes", False),
        ("failed_sample", "A,2024-02-01,coliforms,yes", True),
        ("failed_sample", "A,2024-03-01,coliforms,yes", False),
    ],
)
def test_failed_sample_open(fleet, rows, cause, samples, is_open):
    known = fleet.known(
        visits=VISITS.format(cause=cause),
        work=LAMP,
        samples="site_id,sampled_on,parameter,passed\n" + samples,
    )
    assert rows(known.sites, "failed_sample_open") == [(is_open,)]


def test_sites_carry_hardness_and_the_age_of_the_tank(fleet, rows):
    known = fleet.known(
        "2024-07-01",
        sites="site_id,tank_installed,potable\nA,2014,\nB,,no\n",
        visits="visit_id,site_id,visit_date,hardness_mg_l\na,A,2024-01-01,20\nb,A,2024-03-01,30\nc,A,2024-05-31,100\n",
        work=LAMP,
    )
    assert rows(known.sites, "hardness_mg_l", "potable", "visits", "served") == [
        (30.0, True, 3, True),
        (None, False, 0, True),
    ]
    assert known.sites["tank_age_years"][0] == pytest.approx(3653 / 365.25)


def test_limits_of_a_region_are_spread_over_its_sites(fleet, rows):
    known = fleet.known(
        sites="site_id,region\nA,hills\nB,hills\n",
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\n",
        work=LAMP,
        site_limits="site_id,region,kind,max_days,from\n,hills,authority,180,\nA,,contract,90,2023-01-01\nA,,customer,60,2025-01-01\n",
    )
    assert rows(known.site_limits, "site_id", "kind", "max_days") == [
        ("A", "authority", 180.0),
        ("A", "contract", 90.0),
        ("B", "authority", 180.0),
    ]


def put_in(known, rows):
    """Return what is known of the part in place: its spell, when it went in, who said so, its last cleaning."""
    assert known.in_place.height == 1
    columns = ("fitted_on", "put_in_on", "put_in_noted_on", "cleaned_on", "part_seen_on")
    return tuple(day and day.isoformat() for day in rows(known.in_place, *columns)[0])


FOUR_VISITS = """
visit_id,site_id,visit_date
a,A,2024-01-01
b,A,2024-07-01
c,A,2025-01-01
d,A,2025-07-01
"""
SLEEVE = "visit_id,component,action,condition,fitted_on\n"


def test_a_cleaning_is_no_fitting(fleet, rows):
    work = SLEEVE + "a,quartz_sleeve,fitted,,\nb,quartz_sleeve,cleaned,good,\nc,quartz_sleeve,cleaned,good,\n"
    known = fleet.known(visits=FOUR_VISITS, work=work)
    assert put_in(known, rows) == ("2025-01-01", "2024-01-01", None, "2025-01-01", "2024-01-01")


def test_a_part_that_went_in_before_the_records_has_the_day_that_a_visit_noted(fleet, rows):
    # what a visit calls the fitting after the part was seen is a cleaning: it does not count
    work = SLEEVE + "b,quartz_sleeve,inspected,good,2022-05-05\nc,quartz_sleeve,cleaned,good,\n"
    known = fleet.known(visits=FOUR_VISITS, work=work + "d,quartz_sleeve,inspected,good,2025-01-01\n")
    assert put_in(known, rows) == ("2025-01-01", "2022-05-05", "2024-07-01", "2025-01-01", "2024-07-01")


def test_nobody_knows_when_a_part_went_in_that_was_only_cleaned(fleet, rows):
    known = fleet.known(visits=FOUR_VISITS, work=SLEEVE + "b,quartz_sleeve,cleaned,scaled,\n")
    assert put_in(known, rows) == ("2024-07-01", None, None, "2024-07-01", "2024-07-01")


def test_a_new_part_was_not_cleaned_by_the_visit_that_cleaned_the_old_one(fleet, rows):
    work = SLEEVE + "a,quartz_sleeve,fitted,,\nb,quartz_sleeve,cleaned,good,\n"
    work += "c,quartz_sleeve,cleaned,scaled,\nc,quartz_sleeve,replaced,scaled,\n"
    known = fleet.known(visits=FOUR_VISITS, work=work)
    assert put_in(known, rows) == ("2025-01-01", "2025-01-01", None, None, "2025-01-01")


def test_a_cartridge_that_was_rinsed_is_as_old_as_before(fleet, rows):
    work = SLEEVE + "a,sediment_cartridge,fitted,,\nb,sediment_cartridge,cleaned,loaded,\n"
    known = fleet.known(visits=FOUR_VISITS, work=work)
    assert put_in(known, rows) == ("2024-01-01", "2024-01-01", None, "2024-07-01", "2024-01-01")


def test_what_failed_and_when_and_since_when_an_alarm_is_open(fleet, rows):
    known = fleet.known(
        visits="visit_id,site_id,visit_date,visit_reason,callout_cause\na,A,2024-01-01,,\nb,A,2024-02-01,callout,uv_alarm\n",
        work=LAMP,
        samples="""
        site_id,sampled_on,parameter,passed
        A,2024-01-10,turbidity,no
        A,2024-01-12,coliforms,no
        A,2024-01-14,e_coli,no
        A,2024-01-20,coliforms,yes
        """,
    )
    assert rows(known.sites, "failed_sample_on", "failed_sample_of", "open_alarm_on") == [
        (date(2024, 1, 14), "e_coli, turbidity", date(2024, 2, 1))
    ]
