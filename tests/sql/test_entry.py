"""Units in place before the records began: when they enter, and which are left out and counted."""

from __future__ import annotations

import math

import pytest

INF = math.inf
BOUNDS = ("ended_how", "lower_days", "upper_days", "entry_days")
VISITS = "visit_id,site_id,visit_date\na,A,2024-01-01\nb,A,2024-03-01\nc,A,2024-05-31\n"


def first_seen(fleet, component, *work, visits=VISITS, as_of=None):
    text = "visit_id,component,action,condition,fitted_on\n" + "\n".join(
        f"{visit},{component},{action},{condition},{fitted}" for visit, action, condition, fitted in work
    )
    return fleet.known(as_of, visits=visits, work=text)


@pytest.mark.parametrize(
    ("work", "expected"),
    [
        # fitted 2023-09-23, 100 days before the first visit: age 100 at a, 160 at b, 251 at c
        ((("a", "inspected", "good"), ("c", "replaced", "blocked")), ("found_spent", 100.0, 251.0, 100.0)),
        ((("b", "inspected", "good"), ("c", "replaced", "blocked")), ("found_spent", 160.0, 251.0, 100.0)),
        ((("c", "replaced", "blocked"),), ("found_spent", 100.0, 251.0, 100.0)),
        ((("c", "replaced", "good"),), ("taken_out", 251.0, INF, 100.0)),
        ((("a", "inspected", "good"),), ("in_place", 251.0, INF, 100.0)),
    ],
)
def test_announced_kinds_enter_at_their_age_when_observation_began(fleet, rows, work, expected):
    first, *others = work
    known = first_seen(fleet, "sediment_cartridge", (*first, "2023-09-23"), *((*w, "") for w in others))
    assert rows(known.spells, *BOUNDS)[0] == expected


@pytest.mark.parametrize(
    ("condition", "expected"),
    [("good", ("taken_out", 100.0, INF, 0.0)), ("scaled", ("found_spent", 0.0, 100.0, 0.0))],
)
def test_hidden_kinds_enter_at_zero(fleet, rows, condition, expected):
    known = first_seen(fleet, "quartz_sleeve", ("a", "cleaned", condition, "2023-09-23"))
    assert rows(known.spells, *BOUNDS) == [expected]


def test_a_hidden_unit_seen_well_and_left_is_known_up_to_that_age(fleet, rows):
    known = first_seen(fleet, "quartz_sleeve", ("a", "inspected", "good", "2023-09-23"))
    assert rows(known.spells, *BOUNDS) == [("in_place", 100.0, INF, 0.0)]


def test_announced_and_spent_at_that_very_look_is_left_out_and_counted(fleet, rows):
    known = first_seen(fleet, "sediment_cartridge", ("a", "replaced", "blocked", "2023-09-23"))
    assert rows(known.left_out, "reason", "ended_how") == [("spent_at_first_look", "found_spent")]
    assert rows(known.spells, "ended_how", "lower_days") == [("in_place", 151.0)]


def test_taken_out_at_the_first_visit_says_nothing(fleet, rows):
    known = first_seen(fleet, "sediment_cartridge", ("a", "replaced", "good", "2023-09-23"))
    assert rows(known.left_out, "reason") == [("nothing_known",)]


def test_age_unknown_is_left_out_but_stays_among_what_is_in_place(fleet, rows):
    known = first_seen(fleet, "uv_lamp", ("a", "inspected", "good", ""))
    assert known.spells.height == 0
    assert rows(known.left_out, "reason", "fitted_on") == [("age_unknown", None)]
    assert rows(known.in_place, "age_days", "spell_id", "removed", "survived_days") == [
        (None, None, False, 0.0)
    ]


def test_the_age_may_be_told_at_a_later_look(fleet, rows):
    known = first_seen(
        fleet, "uv_lamp", ("a", "inspected", "good", ""), ("b", "inspected", "good", "2023-09-23")
    )
    assert rows(known.spells, *BOUNDS) == [("in_place", 251.0, INF, 100.0)]
    earlier = fleet.known("2024-02-01")
    assert rows(earlier.left_out, "reason") == [("age_unknown",)]


def test_a_unit_that_came_unseen_later_enters_when_it_was_first_seen(fleet, rows):
    # fitted by somebody on 1 February: had it failed by 1 March (29 days), another would be there
    known = first_seen(fleet, "uv_lamp", ("b", "inspected", "good", "2024-02-01"))
    assert rows(known.spells, *BOUNDS) == [("in_place", 120.0, INF, 29.0)]


def test_a_removed_unit_leaves_the_slot_empty_until_one_is_seen_again(fleet, rows):
    known = first_seen(fleet, "uv_lamp", ("a", "fitted", "", ""), ("b", "removed", "good", ""))
    assert rows(known.in_place, "removed", "age_days", "spent_seen") == [(True, None, False)]
    again = fleet.known(
        visits="visit_id,site_id,visit_date\nd,A,2024-06-30\n",
        work="visit_id,component,action,condition\nd,uv_lamp,inspected,good\n",
    )
    assert rows(again.spells, "ended_how", "lower_days") == [("taken_out", 60.0)]
    assert rows(again.left_out, "reason") == [("age_unknown",)]
    assert rows(again.in_place, "removed", "age_days") == [(False, None)]
