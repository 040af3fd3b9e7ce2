"""Where the view of a site ends: as-of, customers who left or were lost, lasting changes, refused rows."""

from __future__ import annotations

import math
import random
from datetime import date

import pytest

from fleetstats.settings import settings_from

INF = math.inf
LAMP = "visit_id,component,action,condition\na,uv_lamp,fitted,\n"
SLEEVE_SEEN = "visit_id,component,action,condition\na,quartz_sleeve,fitted,\nb,quartz_sleeve,inspected,good\n"
# 1 January, then every 60 days
TWO = "visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-03-01\n"
FOUR = TWO + "c,A,2024-04-30\nd,A,2024-06-29\n"


def test_a_customer_who_left_ends_announced_spells_on_that_day(fleet, rows):
    sites = "site_id,left_on\nA,2024-06-30\n"
    known = fleet.known("2024-12-31", sites=sites, visits=TWO, work=LAMP)
    assert rows(known.spells, "ended_how", "ended_on", "lower_days", "upper_days") == [
        ("left", date(2024, 6, 30), 181.0, INF)
    ]
    assert rows(known.sites, "served", "lost_to_view", "left_on") == [(False, False, date(2024, 6, 30))]
    assert rows(known.in_place, "served", "survived_days") == [(False, 181.0)]


def test_a_customer_who_left_ends_hidden_spells_at_the_last_look(fleet, rows):
    known = fleet.known("2024-12-31", sites="site_id,left_on\nA,2024-06-30\n", visits=TWO, work=SLEEVE_SEEN)
    assert rows(known.spells, "ended_how", "lower_days") == [("left", 60.0)]


def test_before_the_customer_left_nobody_knows_it(fleet, rows):
    fleet.load(sites="site_id,left_on\nA,2024-06-30\n", visits=TWO, work=LAMP)
    then = fleet.known("2024-03-31")
    assert rows(then.spells, "ended_how", "lower_days") == [("in_place", 90.0)]
    assert rows(then.sites, "served", "left_on") == [(True, None)]


@pytest.mark.parametrize(
    ("as_of", "lost", "ended_how", "lower"),
    [
        ("2024-10-27", False, "in_place", 300.0),  # 120 days after the last visit: just twice the usual 60
        ("2024-10-28", True, "left", 180.0),
    ],
)
def test_unseen_for_more_than_twice_its_usual_gap_is_lost_at_its_last_visit(
    fleet, rows, as_of, lost, ended_how, lower
):
    known = fleet.known(as_of, visits=FOUR, work=LAMP)
    assert rows(known.sites, "usual_gap_days", "lost_to_view", "served") == [(60.0, lost, not lost)]
    assert rows(known.spells, "ended_how", "lower_days") == [(ended_how, lower)]


def test_call_outs_do_not_shorten_the_usual_gap(fleet, rows):
    calls = "visit_id,site_id,visit_date,visit_reason\n" + "\n".join(
        f"{i},A,{day},{why}"
        for i, (day, why) in enumerate(
            [
                ("2024-01-01", "routine"),
                ("2024-01-10", "callout"),
                ("2024-06-29", "routine"),
                ("2024-12-26", "routine"),
            ]
        )
    )
    known = fleet.known(visits=calls, work="visit_id,component,action\n0,uv_lamp,fitted\n")
    assert rows(known.sites, "usual_gap_days", "callouts", "visits") == [(180.0, 1, 4)]


def test_a_site_seen_once_takes_the_usual_gap_of_the_fleet(fleet, rows):
    known = fleet.known("2024-12-31", visits=FOUR + "z,B,2024-01-05\n", work=LAMP + "z,uv_lamp,fitted,\n")
    assert rows(known.sites, "site_id", "usual_gap_days") == [("A", 60.0), ("B", 60.0)]


def test_what_comes_after_as_of_is_not_known(fleet, rows):
    fleet.load(
        sites="site_id\nA\n",
        visits="visit_id,site_id,visit_date,meter_m3\na,A,2024-01-01,0\nb,A,2024-03-01,12\nc,A,2024-05-31,400\n",
        work="visit_id,component,action,condition\na,uv_lamp,fitted,\nb,uv_lamp,inspected,good\nc,uv_lamp,replaced,failed\n",
        samples="site_id,sampled_on,passed\nA,2024-05-31,no\n",
        changes="site_id,changed_on,kind\nA,2024-04-01,roof\n",
        decisions="site_id,decided_on,decision\nA,2024-05-31,accepted\n",
    )
    then = fleet.known("2024-03-31")
    assert rows(then.spells, "ended_how", "lower_days", "daily_litres") == [("in_place", 90.0, 200.0)]
    assert rows(then.sites, "chapters", "visits", "daily_litres", "failed_sample_open") == [
        (1, 2, 200.0, False)
    ]
    assert (then.visits.height, then.work.height, then.samples.height, then.decisions.height) == (2, 2, 0, 0)
    now = fleet.known()
    assert rows(now.spells, "chapter", "ended_how")[0] == (1, "left")
    assert rows(now.sites, "chapters", "failed_sample_open") == [(2, True)]


# -- lasting and passing changes ---------------------------------------------------------------------------

CHANGED = "site_id,changed_on,until,kind\nA,2024-04-01,,roof\n"  # day 91


@pytest.mark.parametrize(
    ("work", "expected"),
    [
        # ends by day 91 or on it: as if nothing had changed
        ("b,sediment_cartridge,replaced,good", (1, "taken_out", 60.0, date(2024, 3, 1))),
        # ends later, well on day 91 for sure: censored there
        ("d,sediment_cartridge,replaced,good", (1, "left", 91.0, date(2024, 4, 1))),
        # found spent later, last seen well on day 60: all that is sure of this chapter
        (
            "b,sediment_cartridge,inspected,good\nd,sediment_cartridge,replaced,blocked",
            (1, "left", 60.0, date(2024, 4, 1)),
        ),
        # found spent later, seen well on day 120
        (
            "c,sediment_cartridge,inspected,good\nd,sediment_cartridge,replaced,blocked",
            (1, "left", 91.0, date(2024, 4, 1)),
        ),
    ],
)
def test_a_unit_over_a_lasting_change_is_censored_there(fleet, rows, work, expected):
    text = "visit_id,component,action,condition\na,sediment_cartridge,fitted,\n" + work
    known = fleet.known(visits=FOUR, work=text, changes=CHANGED)
    assert rows(known.spells, "chapter", "ended_how", "lower_days", "ended_on")[0] == expected
    assert known.spells["upper_days"][0] == INF


def test_a_unit_fitted_after_the_change_belongs_to_the_new_chapter(fleet, rows):
    work = LAMP + "c,uv_lamp,replaced,failed\nd,uv_lamp,replaced,failed\n"
    known = fleet.known(visits=FOUR, work=work, changes=CHANGED)
    assert rows(known.spells, "chapter", "ended_how") == [(2, "found_spent")]
    assert rows(known.left_out, "chapter", "reason") == [(1, "nothing_known"), (2, "zero_days")]
    assert rows(known.in_place, "chapter") == [(2,)]


def test_a_change_before_the_first_visit_opens_no_chapter(fleet, rows):
    known = fleet.known(visits=FOUR, work=LAMP, changes="site_id,changed_on,kind\nA,2024-01-01,tank\n")
    assert rows(known.sites, "chapters") == [(1,)]


@pytest.mark.parametrize(
    "passing", ["drought", "ash", "vacant", "hauled_water", "tank_cleaned", "gutters_cleaned"]
)
def test_a_passing_change_flags_the_spells_it_touched(fleet, rows, passing):
    work = "visit_id,component,action,condition\na,uv_lamp,fitted,\nb,uv_lamp,replaced,expired\n"
    known = fleet.known(
        visits=FOUR, work=work, changes=f"site_id,changed_on,until,kind\nA,2024-04-01,2024-05-01,{passing}\n"
    )
    assert rows(known.spells, "chapter", "flags") == [(1, None), (1, passing)]


def test_the_settings_may_leave_what_a_passing_change_touched_out_of_the_lives(fleet, rows):
    work = "visit_id,component,action,condition\na,uv_lamp,fitted,\nb,uv_lamp,replaced,expired\n"
    tables = {
        "visits": FOUR,
        "work": work,
        "changes": "site_id,changed_on,until,kind\nA,2024-04-01,2024-05-01,drought\n",
    }
    without = fleet.known(settings=settings_from({"changes_left_out": ["drought", "ash"]}, "t"), **tables)
    assert rows(without.spells, "flags") == [(None,)]
    assert rows(without.left_out, "reason", "fitted_on") == [("passing_change", date(2024, 3, 1))]
    assert rows(without.in_place, "component", "fitted_on") == [("uv_lamp", date(2024, 3, 1))]
    ash_alone = fleet.known(settings=settings_from({"changes_left_out": ["ash"]}, "t"))
    assert ash_alone.spells.height == 2
    assert fleet.known().spells.height == 2


def test_a_change_of_a_region_touches_all_its_sites(fleet, rows):
    known = fleet.known(
        sites="site_id,region\nA,hills\nB,hills\nC,coast\n",
        visits="visit_id,site_id,visit_date\na,A,2024-01-01\nb,B,2024-01-01\nc,C,2024-01-01\nd,A,2024-06-01\n",
        work="visit_id,component,action\na,uv_lamp,fitted\nb,uv_lamp,fitted\nc,uv_lamp,fitted\n",
        changes="region,changed_on,kind\nhills,2024-03-01,ash\n",
    )
    assert rows(known.spells, "site_id", "flags") == [("A", "ash"), ("B", "ash"), ("C", None)]
    assert rows(known.changes, "site_id", "lasting") == [("A", False), ("B", False)]


# -- refused rows --------------------------------------------------------------------------------------------

WORK = (
    "visit_id,component,action,condition\na,uv_lamp,fitted,\na,quartz_sleeve,fitted,\n"
    "b,uv_lamp,replaced,expired\nb,quartz_sleeve,cleaned,good\nd,uv_lamp,replaced,expired\nd,quartz_sleeve,cleaned,good\n"
)


def test_a_refused_visit_leaves_out_the_spells_it_may_have_cut(fleet, rows):
    known = fleet.known(visits=TWO + ",A,2024-04-30\nd,A,2024-06-29\n", work=WORK)  # no visit_id on 30 April
    assert rows(known.left_out.filter(reason="cut_by_refused_row"), "component", "fitted_on") == [
        ("quartz_sleeve", date(2024, 3, 1)),
        ("uv_lamp", date(2024, 3, 1)),
    ]
    assert rows(known.spells.filter(component="uv_lamp"), "lower_days") == [(60.0,)]


#: Five accepted visits, and one whose date cannot be read.
LINES = (
    "a,A,2024-01-01",
    "b,A,2024-03-01",
    "d,A,2024-06-29",
    "e,A,2024-07-29",
    "f,A,2024-08-29",
    "c,A,2024-02-30",
)
HEAD = "visit_id,site_id,visit_date\n"


def _cut(known, rows):
    return rows(known.left_out.filter(reason="cut_by_refused_row"), "component", "fitted_on")


@pytest.mark.parametrize("seed", range(4))
def test_a_refused_visit_on_an_unknown_day_lies_between_its_neighbours_by_number(fleet, rows, seed):
    lines = list(LINES)
    random.Random(seed).shuffle(lines)  # where a row stands in the file says nothing
    known = fleet.known(visits=HEAD + "\n".join(lines) + "\n", work=WORK)
    assert _cut(known, rows) == [("quartz_sleeve", date(2024, 3, 1)), ("uv_lamp", date(2024, 3, 1))]
    assert rows(known.spells.filter(component="uv_lamp"), "fitted_on") == [
        (date(2024, 1, 1),), (date(2024, 6, 29),),
    ]  # fmt: skip


@pytest.mark.parametrize("place", range(6))
@pytest.mark.parametrize(
    ("old", "new"),
    [("a,A", "x,A"), ("f,A", "zz,B"), ("c,A", ",A")],
    ids=["numbers in no order", "too few visits", "no number"],
)
def test_it_may_have_cut_any_spell_of_its_site_where_numbers_do_not_tell(fleet, rows, place, old, new):
    lines = [line.replace(old, new) for line in LINES[:-1]]
    lines.insert(place, LINES[-1].replace(old, new))
    work = WORK.replace("a,", "x,") if new == "x,A" else WORK
    known = fleet.known(visits=HEAD + "\n".join(lines) + "\n", work=work)
    assert set(known.left_out.filter(site_id="A")["reason"]) == {"cut_by_refused_row"}
    assert known.spells.filter(site_id="A").is_empty()


def test_the_spells_come_back_when_the_visit_is_mended(fleet, rows):
    fleet.known(visits=TWO + "c,A,2024-02-30\nd,A,2024-06-29\n", work=WORK)
    fleet.load(visits="visit_id,site_id,visit_date\nc,A,2024-04-30\n")
    assert "cut_by_refused_row" not in set(fleet.known().left_out["reason"])


def test_a_refused_row_of_work_may_have_cut_its_component_only(fleet, rows):
    known = fleet.known(visits=FOUR, work=WORK + "c,uv_lamp,swapped,good\n")
    assert rows(known.left_out.filter(reason="cut_by_refused_row"), "component", "fitted_on") == [
        ("uv_lamp", date(2024, 3, 1))
    ]
    fleet.load(work="visit_id,component,action,condition\nc,uv_lamp,inspected,good\n")
    assert "cut_by_refused_row" not in set(fleet.known().left_out["reason"])
