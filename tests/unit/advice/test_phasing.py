"""The weeks ahead by hand: who comes when, how weeks are levelled, what a full crew moves, what is over."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from fleetstats.advice import calendar, weekly_load
from fleetstats.advice.phasing import UnitAhead, after_visit

AS_OF = date(2025, 6, 30)
DAY = timedelta(days=1)
NEW: dict[str, Any] = {"component": "sediment_cartridge", "slot": "", "action": "replace", "age_days": 100}


def line(site: str, begins: int, ends: int, **more: Any) -> dict[str, Any]:
    """A line of the due list: a visit so many days from as-of, booked from and no later than."""
    return {
        "site_id": site, **NEW, "visit_from": AS_OF + begins * DAY, "visit_by": AS_OF + ends * DAY, "urgency": 2,
        "chance_already_spent": 0.1, "moved": None, **more,
    }  # fmt: skip


def planned(
    *lines: dict[str, Any],
    visit: int = 364,
    most: float | None = None,
    late: int = 14,
    blocked: dict[str, frozenset[int]] | None = None,
    sites: dict[str, dict[str, Any]] | None = None,
    **limits: Any,
) -> pl.DataFrame:
    """The calendar of sites that all come every `visit` days; intervals of one visit unless `limits` say else."""
    due = pl.DataFrame(
        lines, schema_overrides={"moved": pl.String, "age_days": pl.Int64}, infer_schema_length=None
    )
    bounds = {
        "interval_days": visit,
        "hard_limit_days": None,
        "deadline_days": None,
        "visit_deadline_days": None,
    }
    intervals = due.select("site_id", "component", "slot").with_columns(
        visit_interval_days=pl.lit(visit, pl.Int64),
        **{name: pl.lit(value, pl.Float64) for name, value in {**bounds, **limits}.items()},
    )
    facts = [
        {"site_id": site, "crew": None, "address_id": None, **(sites or {}).get(site, {})}
        for site in sorted(set(due["site_id"]))
    ]
    schema = {"site_id": pl.String, "crew": pl.String, "address_id": pl.String}
    return calendar(
        due=due, sites=pl.DataFrame(facts, schema=schema), intervals=intervals, as_of=AS_OF, lateness_days=late,
        stops_per_week=most, blocked_months=blocked or {},
    )  # fmt: skip


def weeks(found: pl.DataFrame, visit: int = 1) -> dict[str, int]:
    """Of each site, the week from as-of in which that visit is placed, from 0."""
    rows = found.filter(pl.col("visit") == visit)
    return {site: (week - AS_OF).days // 7 for site, week in rows.select("site_id", "week").iter_rows()}


def row(found: pl.DataFrame, site: str, visit: int = 1) -> dict[str, Any]:
    return found.filter(pl.col("site_id") == site, pl.col("visit") == visit).row(0, named=True)


def test_each_visit_goes_into_the_emptiest_week_of_its_window_in_order_of_its_last_day() -> None:
    """c, the soonest to end, takes week 0; a, then b, week 1; of weeks 1 and 2 d finds 2 empty."""
    found = planned(line("a", 0, 13), line("b", 7, 16), line("c", 0, 6), line("d", 8, 20))
    assert weeks(found) == {"c": 0, "a": 1, "b": 2, "d": 1}


def test_of_visits_that_end_on_one_day_the_likelier_to_be_spent_chooses_first() -> None:
    found = planned(*(line(site, 0, 20, chance_already_spent=chance) for site, chance in
                      (("a", 0.1), ("b", 0.3), ("c", None))))  # fmt: skip
    assert weeks(found) == {"b": 0, "a": 1, "c": 2}


def test_urgent_visits_come_first_in_the_week_of_as_of() -> None:
    found = planned(line("a", 0, 6), line("b", 0, 0, urgency=1), line("c", 0, 0, urgency=0), most=1.0)
    assert weeks(found) == {"a": 0, "b": 0, "c": 0}
    assert dict(found.select("site_id", "fits").iter_rows()) == {"c": True, "b": False, "a": False}


def test_a_full_crew_comes_up_to_a_quarter_of_the_interval_earlier_and_never_later() -> None:
    """Interval 84: 21 days earlier at most. Both want the week of day 28; the second comes a week before."""
    found = planned(line("a", 28, 34), line("b", 28, 34), visit=84, most=1.0)
    assert weeks(found) == {"a": 4, "b": 3}
    assert row(found, "b")["moved"] == "crew_full"
    # four of them: weeks 3, 2 and 1 are taken, then a fifth has no week left and says so
    many = planned(*(line(site, 28, 34) for site in "abcde"), visit=84, most=1.0)
    assert weeks(many) == {"a": 4, "b": 3, "c": 2, "d": 1, "e": 4}
    assert many.filter(pl.col("visit") == 1, ~pl.col("fits"))["site_id"].to_list() == ["e"]


def test_a_full_crew_does_not_come_in_a_blocked_month() -> None:
    """Week 4 begins on 28 July, week 3 on 21 July: with July blocked for b only its own week is left."""
    found = planned(
        line("a", 32, 34), line("b", 32, 34), visit=84, most=1.0, blocked={"b": frozenset({7})}
    )  # fmt: skip
    assert (weeks(found)["b"], row(found, "b")["fits"]) == (4, False)


def test_crews_do_not_fill_each_others_weeks() -> None:
    crews = {"a": {"crew": "red"}, "b": {"crew": "blue"}}
    found = planned(line("a", 0, 6), line("b", 0, 6), most=1.0, sites=crews)
    assert found["fits"].to_list() == [True, True]


def test_an_address_is_one_stop_shared_by_its_sites_and_bound_by_the_strictest() -> None:
    sites = {site: {"address_id": "one", "crew": crew} for site, crew in (("a", None), ("b", "red"))}
    found = planned(line("a", 14, 20), line("b", 0, 6, urgency=1), sites=sites)
    assert weeks(found) == {"a": 0, "b": 0}
    assert found["stops"].to_list() == [0.5, 0.5]
    assert found["crew"].to_list() == ["red", "red"]


def test_a_later_visit_follows_its_interval_after_the_week_of_the_one_before() -> None:
    found = planned(line("a", 3, 13), visit=56)
    assert row(found, "a")["week"] == AS_OF
    second = row(found, "a", 2)
    assert (second["book_from"], second["no_later_than"]) == (AS_OF + 59 * DAY, AS_OF + 73 * DAY)
    third = row(found, "a", 3)
    assert third["book_from"] == AS_OF + (59 + 56) * DAY
    assert (found["week"] < AS_OF + 26 * 7 * DAY).all()
    assert found["visit"].to_list() == [1, 2, 3, 4]  # days 3, 59, 115, 171; 227 is past 26 weeks


def test_a_later_visit_waits_until_blocked_months_are_over() -> None:
    """56 days after 3 July is 28 August; August blocked, 1 September."""
    second = row(planned(line("a", 3, 13), visit=56, blocked={"a": frozenset({8})}), "a", 2)
    assert (second["book_from"], second["moved"]) == (date(2025, 9, 1), "after_blocked")


def test_a_later_visit_keeps_the_time_between_visits_agreed() -> None:
    """At most 63 days, 14 of them lateness: 49 is less than the 56, and 63 the last."""
    second = row(planned(line("a", 3, 13), visit=49, visit_deadline_days=56.0), "a", 2)
    assert (second["book_from"], second["no_later_than"]) == (AS_OF + 45 * DAY, AS_OF + 59 * DAY)


def lamp(age: int, action: str) -> dict[str, Any]:
    return line("a", 0, 6, component="uv_lamp", action=action, age_days=age)


def test_a_later_visit_comes_in_time_for_what_the_visit_before_left_in_place() -> None:
    """A lamp 290 days old that stays, 365 less 14: day 61 from as-of, not the 70 of the interval."""
    limits = {"interval_days": 350.0, "hard_limit_days": 351.0, "deadline_days": 365.0}
    stays = row(planned(lamp(290, "inspect"), visit=70, **limits), "a", 2)
    assert (stays["book_from"], stays["no_later_than"]) == (AS_OF + 61 * DAY, AS_OF + 75 * DAY)
    renewed = row(planned(lamp(290, "replace"), visit=70, **limits), "a", 2)
    assert (renewed["book_from"], renewed["no_later_than"]) == (AS_OF + 70 * DAY, AS_OF + 84 * DAY)


def test_what_was_taken_out_bounds_nothing_and_what_is_of_unknown_age_is_new_after_the_visit() -> None:
    limits = {"interval_days": 350.0, "hard_limit_days": 40.0, "deadline_days": 54.0}
    gone = line("a", 0, 6, component="uv_lamp", action="inspect", age_days=None)
    unknown = line("a", 0, 6, component="uv_lamp", action="replace", age_days=None)
    assert row(planned(gone, visit=70, **limits), "a", 2)["book_from"] == AS_OF + 70 * DAY
    assert row(planned(unknown, visit=70, **limits), "a", 2)["book_from"] == AS_OF + 40 * DAY


UNIT = UnitAhead(AS_OF, visit_days=70, interval_days=140, hard_days=160, deadline_days=174)


@pytest.mark.parametrize(
    ("age", "to_next", "stays"),
    [
        (90, 70, True),  # 160 at the next, the last day of the limit
        (91, 70, False),
        (85, 75, True),  # the next falls in a blocked month and comes five days later
        (86, 75, False),
    ],
)
def test_a_unit_stays_as_long_as_it_is_in_time_at_the_next_visit(age: int, to_next: int, stays: bool) -> None:
    assert UNIT.stays(AS_OF + age * DAY, to_next) is stays


def test_a_unit_is_renewed_where_the_next_visit_passes_its_interval_by_more_than_half_a_visit() -> None:
    loose = UnitAhead(AS_OF, visit_days=70, interval_days=140, hard_days=9999, deadline_days=9999)
    assert loose.stays(AS_OF + 105 * DAY, 70)  # 175 = 140 + 35
    assert not loose.stays(AS_OF + 106 * DAY, 70)


def test_after_a_visit_renewed_units_are_new_and_the_visit_rule_is_asked_again() -> None:
    on = AS_OF + 50 * DAY
    kept = UnitAhead(AS_OF, 70, 140, 160, 174, renewed=False)
    new = UnitAhead(AS_OF, 70, 140, 160, 174, renewed=True)
    after = after_visit([kept, new], on, 70)
    assert [(unit.fitted, unit.renewed) for unit in after] == [(AS_OF, None), (on, None)]
    assert (after[0].limit, after[0].deadline) == (AS_OF + 160 * DAY, AS_OF + 174 * DAY)


def test_the_load_counts_stops_by_crew_and_week_with_what_is_over_and_brought_forward() -> None:
    crews = {site: {"crew": "red"} for site in "abc"} | {"d": {"crew": "blue"}}
    found = planned(line("a", 28, 34), line("b", 28, 34), line("c", 28, 34), line("d", 0, 6), visit=28, most=1.0, sites=crews)  # fmt: skip
    first = found.filter(pl.col("visit") == 1)
    load = weekly_load(first, as_of=AS_OF, stops_per_week=1.0).filter(pl.col("stops") > 0)
    assert load.select("crew", (pl.col("week") - AS_OF).dt.total_days() // 7, "stops", "over", "moved_earlier").rows() == [
        ("blue", 0, 1.0, 0.0, 0), ("red", 3, 1.0, 0.0, 1), ("red", 4, 2.0, 1.0, 0)
    ]  # fmt: skip
    whole = weekly_load(first, as_of=AS_OF, stops_per_week=None)
    assert whole.height == 2 * 26
    assert (whole["most_stops"].null_count(), whole["over"].sum()) == (52, 0.0)
