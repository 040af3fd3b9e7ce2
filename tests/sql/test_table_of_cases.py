"""Every line of the table of cases: a few visits in, the spell worked out by hand."""

from __future__ import annotations

import math
from datetime import date

import pytest

from fleetstats.settings import settings_from

INF = math.inf
ONE_SPELL = ("ended_how", "lower_days", "upper_days", "entry_days")
# 2024 is a leap year: 1 January to 31 May is 151 days, to 9 June 160, to 30 June 181


def spell_of(fleet, visits, work, as_of=None, which=0, **more):
    known = fleet.known(as_of, visits=visits, work=work, **more)
    return known.spells.select(ONE_SPELL).row(which)


def records(component, *later, action="fitted"):
    """Fitted on 1 January; then (day, reason, cause, reported, action, condition, drop) a visit."""
    visits = [
        "visit_id,site_id,visit_date,visit_reason,callout_cause,reported_on",
        "v0,A,2024-01-01,commission,,",
    ]
    work = ["visit_id,component,action,condition,pressure_drop_kpa", f"v0,{component},{action},,"]
    for n, (day, reason, cause, reported, what, condition, drop) in enumerate(later, start=1):
        visits.append(f"v{n},A,{day},{reason},{cause},{reported}")
        work.append(f"v{n},{component},{what},{condition},{drop}")
    return {"visits": "\n".join(visits), "work": "\n".join(work)}


def routine(day, action, condition, drop=""):
    return (day, "routine", "", "", action, condition, drop)


def call(day, cause, action, condition, reported="", drop=""):
    return (day, "callout", cause, reported, action, condition, drop)


CASES = {
    # call-out for one of its causes, found at end of life, announced: t, t
    "failed": (
        "sediment_cartridge",
        [call("2024-05-31", "low_pressure", "replaced", "blocked")],
        ("failed", 151.0, 151.0, 0.0),
    ),
    "failed, the day of the call counts": (
        "sediment_cartridge",
        [call("2024-06-09", "low_pressure", "replaced", "blocked", reported="2024-05-31")],
        ("failed", 151.0, 151.0, 0.0),
    ),
    "failed, good looks before do not widen it": (
        "sediment_cartridge",
        [
            routine("2024-03-01", "inspected", "good"),
            call("2024-05-31", "low_pressure", "replaced", "blocked"),
        ],
        ("failed", 151.0, 151.0, 0.0),
    ),
    "failed, told by the housing drop alone": (
        "sediment_cartridge",
        [call("2024-05-31", "low_pressure", "replaced", "", drop="100")],
        ("failed", 151.0, 151.0, 0.0),
    ),
    "failed, call reported before the last good look: the visit date counts": (
        "sediment_cartridge",
        [
            routine("2024-03-01", "inspected", "good"),
            call("2024-05-31", "low_pressure", "replaced", "blocked", reported="2024-02-01"),
        ],
        ("failed", 151.0, 151.0, 0.0),
    ),
    # any other visit, found at end of life: last good look, t
    "found spent on a routine visit": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "loaded"), routine("2024-05-31", "replaced", "blocked")],
        ("found_spent", 60.0, 151.0, 0.0),
    ),
    "found spent at a call-out for something else": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "good"), call("2024-05-31", "uv_alarm", "replaced", "blocked")],
        ("found_spent", 60.0, 151.0, 0.0),
    ),
    "found spent at a call-out without a cause": (
        "sediment_cartridge",
        [call("2024-05-31", "", "replaced", "blocked")],
        ("found_spent", 0.0, 151.0, 0.0),
    ),
    "found spent, a housing reading below the limit was the look": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "", "40"), routine("2024-05-31", "replaced", "blocked")],
        ("found_spent", 60.0, 151.0, 0.0),
    ),
    "found spent, a look that saw nothing is none": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "unknown"), routine("2024-05-31", "replaced", "blocked")],
        ("found_spent", 0.0, 151.0, 0.0),
    ),
    "found spent though called good: the drop is at the limit": (
        "sediment_cartridge",
        [
            routine("2024-03-01", "inspected", "good", "99.9"),
            routine("2024-05-31", "replaced", "good", "100"),
        ],
        ("found_spent", 60.0, 151.0, 0.0),
    ),
    "found spent and left in place: its life is over all the same": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "good"), routine("2024-05-31", "inspected", "blocked")],
        ("found_spent", 60.0, 151.0, 0.0),
    ),
    "hidden kinds never fail at a call-out": (
        "quartz_sleeve",
        [routine("2024-03-01", "inspected", "good"), call("2024-05-31", "uv_alarm", "cleaned", "scaled")],
        ("found_spent", 60.0, 151.0, 0.0),
    ),
    # the same, never looked at in between: 0, t
    "current status": (
        "quartz_sleeve",
        [routine("2024-05-31", "cleaned", "scaled")],
        ("found_spent", 0.0, 151.0, 0.0),
    ),
    # replaced or cleaned while known not at end of life: t, inf
    "taken out good": (
        "sediment_cartridge",
        [routine("2024-05-31", "replaced", "good")],
        ("taken_out", 151.0, INF, 0.0),
    ),
    "taken out loaded": (
        "sediment_cartridge",
        [call("2024-05-31", "low_pressure", "replaced", "loaded")],
        ("taken_out", 151.0, INF, 0.0),
    ),
    "taken out by the calendar (expired)": (
        "uv_lamp",
        [routine("2024-12-31", "replaced", "expired")],
        ("taken_out", 365.0, INF, 0.0),
    ),
    "taken out, a drop below the limit says that it was well": (
        "sediment_cartridge",
        [routine("2024-05-31", "replaced", "unknown", "30")],
        ("taken_out", 151.0, INF, 0.0),
    ),
    "cleaned while good, where cleaning renews": (
        "quartz_sleeve",
        [routine("2024-05-31", "cleaned", "good")],
        ("taken_out", 151.0, INF, 0.0),
    ),
    "removed while good": (
        "sediment_cartridge",
        [routine("2024-05-31", "removed", "good")],
        ("taken_out", 151.0, INF, 0.0),
    ),
    # came out, condition unknown: last good look, inf
    "unknown": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "good"), routine("2024-05-31", "replaced", "")],
        ("unknown", 60.0, INF, 0.0),
    ),
    # came out for another reason: t, inf
    "competing": (
        "sediment_cartridge",
        [routine("2024-05-31", "replaced", "leaking")],
        ("competing", 151.0, INF, 0.0),
    ),
    # cleaning does not renew a cartridge: it stays, and was looked at
    "cleaned where cleaning does not renew": (
        "sediment_cartridge",
        [routine("2024-03-01", "cleaned", "loaded"), routine("2024-05-31", "replaced", "blocked")],
        ("found_spent", 60.0, 151.0, 0.0),
    ),
    # fitted over an occupied slot: the old one ended, unknown; the condition on a fitted row is no finding
    "fitted over an occupied slot": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "good"), routine("2024-05-31", "fitted", "blocked")],
        ("unknown", 60.0, INF, 0.0),
    ),
    # still in place
    "in place, announced: the age at as-of": (
        "sediment_cartridge",
        [routine("2024-03-01", "inspected", "good"), routine("2024-05-31", "inspected", "unknown")],
        ("in_place", 181.0, INF, 0.0),
    ),
    "in place, hidden: the age at the last look": (
        "quartz_sleeve",
        [routine("2024-03-01", "inspected", "good"), routine("2024-05-31", "inspected", "unknown")],
        ("in_place", 60.0, INF, 0.0),
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_case(fleet, case):
    component, later, expected = CASES[case]
    assert (
        spell_of(fleet, **records(component, *later), as_of="2024-06-30" if "in place," in case else None)
        == expected
    )


def test_removed_and_fitted_at_one_visit_are_one_replacement(fleet, rows):
    known = fleet.known(
        visits="""
        visit_id,site_id,visit_date
        a,A,2024-01-01
        b,A,2024-05-31
        c,A,2024-06-30
        """,
        work="""
        visit_id,component,action,condition,part_number
        a,sediment_cartridge,fitted,,P1
        b,sediment_cartridge,removed,blocked,
        b,sediment_cartridge,fitted,good,P2
        c,sediment_cartridge,inspected,good,
        """,
    )
    assert rows(
        known.spells, "part_number", "renewed_by", "ended_how", "lower_days", "upper_days", "ended_on"
    ) == [
        ("P1", "fitted", "found_spent", 0.0, 151.0, date(2024, 5, 31)),
        ("P2", "replaced", "in_place", 30.0, INF, None),
    ]


def test_the_worst_finding_of_a_visit_counts_once(fleet, rows):
    known = fleet.known(
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-05-31\n",
        work="""
        visit_id,component,action,condition
        a,sediment_cartridge,fitted,
        b,sediment_cartridge,inspected,blocked
        b,sediment_cartridge,replaced,good
        """,
    )
    assert rows(known.spells, "ended_how", "lower_days", "upper_days", "looks") == [
        ("found_spent", 0.0, 151.0, 1)
    ]


def test_a_slot_is_a_unit_of_its_own(fleet, rows):
    known = fleet.known(
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-05-31\n",
        work="""
        visit_id,component,slot,action,condition
        a,sediment_cartridge,upper,fitted,
        a,sediment_cartridge,lower,fitted,
        b,sediment_cartridge,upper,replaced,blocked
        """,
    )
    assert rows(known.spells, "slot", "ended_how") == [("lower", "in_place"), ("upper", "found_spent")]


def test_competing_removals_keep_their_reason(fleet, rows):
    known = fleet.known(
        **records(
            "uv_lamp",
            routine("2024-05-31", "replaced", "damaged"),
            routine("2024-06-30", "removed", "leaking"),
        )
    )
    assert rows(known.spells, "ended_how", "competing_reason") == [
        ("competing", "damaged"),
        ("competing", "leaking"),
    ]


def test_zero_days_long_is_left_out(fleet, rows):
    known = fleet.known(
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-01-01\nc,A,2024-05-31\n",
        work="""
        visit_id,component,action,condition
        a,uv_lamp,fitted,
        b,uv_lamp,replaced,failed
        c,uv_lamp,inspected,good
        """,
    )
    assert rows(known.left_out, "reason", "ended_how") == [("zero_days", "found_spent")]
    assert rows(known.spells, "lower_days", "ended_how") == [(151.0, "in_place")]


def test_a_look_on_the_day_it_was_found_spent_does_not_empty_the_interval(fleet):
    spell = spell_of(
        fleet,
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-03-01\nc,A,2024-05-31\nd,A,2024-05-31\n",
        work="""
        visit_id,component,action,condition
        a,sediment_cartridge,fitted,
        b,sediment_cartridge,inspected,good
        c,sediment_cartridge,inspected,good
        d,sediment_cartridge,replaced,blocked
        """,
    )
    assert spell == ("found_spent", 60.0, 151.0, 0.0)


def test_a_cleaned_sleeve_keeps_its_part(fleet, rows):
    known = fleet.known(
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-05-31\nc,A,2024-06-30\n",
        work="""
        visit_id,component,action,condition,part_number
        a,quartz_sleeve,fitted,,S1
        b,quartz_sleeve,cleaned,scaled,
        c,quartz_sleeve,replaced,good,S2
        """,
    )
    assert rows(known.spells, "part_number", "renewed_by") == [("S1", "fitted"), ("S1", "cleaned")]
    assert rows(known.in_place, "part_number", "renewed_by") == [("S2", "replaced")]


def test_nothing_is_known_of_a_unit_never_looked_at(fleet, rows):
    known = fleet.known(**records("sediment_cartridge", routine("2024-05-31", "replaced", "")))
    assert known.spells.height == 0
    assert rows(known.left_out, "reason", "ended_how") == [
        ("nothing_known", "unknown"),
        ("zero_days", "in_place"),
    ]


def test_a_component_that_the_settings_do_not_know_is_left_out(fleet, rows):
    known = fleet.known(**records("softener", routine("2024-05-31", "replaced", "blocked")))
    assert known.spells.height == 0
    assert set(known.left_out["reason"]) == {"component_not_defined"}
    assert rows(known.in_place, "component", "age_days") == [("softener", 0.0)]


def test_the_settings_say_what_ends_a_life_and_what_renews_it(fleet, rows):
    rules = {
        "component": {
            "quartz_sleeve": {"end_conditions": ["loaded", "scaled"], "renewed_by": ["fitted", "replaced"]},
            "sediment_cartridge": {"pressure_limit_kpa": 60, "callout_causes": ["pump"]},
            "softener": {"role": "other", "end_conditions": ["failed"], "announced": False},
        }
    }
    known = fleet.known(
        settings=settings_from(rules, "test"),
        visits="visit_id,site_id,visit_date,callout_cause\na,A,2024-01-01,\nb,A,2024-03-01,pump\nc,A,2024-05-31,\n",
        work="""
        visit_id,component,action,condition,pressure_drop_kpa
        a,quartz_sleeve,fitted,,
        a,sediment_cartridge,fitted,,
        a,softener,fitted,,
        b,quartz_sleeve,cleaned,good,
        b,sediment_cartridge,replaced,good,60
        b,softener,inspected,good,
        c,quartz_sleeve,replaced,loaded,
        c,softener,replaced,failed,
        """,
    )
    assert rows(known.spells, "component", "ended_how", "lower_days", "upper_days") == [
        ("quartz_sleeve", "found_spent", 60.0, 151.0),
        ("sediment_cartridge", "failed", 60.0, 60.0),
        ("sediment_cartridge", "in_place", 91.0, INF),
        ("softener", "found_spent", 60.0, 151.0),
    ]
