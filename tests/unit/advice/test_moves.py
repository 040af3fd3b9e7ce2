"""Visits better made on another day, by hand: a household's return, blocked months, and what limits leave."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import polars as pl
import pytest

from fleetstats.advice.moves import Window, days_to_next, moved_window, next_arrivals

AS_OF = date(2025, 6, 30)
FAR = date(2035, 1, 1)
AUTUMN = Window(
    begins=date(2025, 11, 20), ends=date(2025, 12, 4), limit=FAR, deadline=FAR, visit_days=112, last=date(2025, 7, 31)
)  # fmt: skip


def moved(
    window: Window = AUTUMN, blocked: tuple[int, ...] = (), arrival: date | None = None, late: int = 14
) -> tuple[date, date, str]:
    found = moved_window(window, as_of=AS_OF, blocked=frozenset(blocked), arrival=arrival, lateness_days=late)
    return found.begins, found.ends, found.moved


def test_nothing_moves_a_visit_in_an_open_month() -> None:
    assert moved() == (AUTUMN.begins, AUTUMN.ends, "")
    assert moved(blocked=(1, 6)) == (AUTUMN.begins, AUTUMN.ends, "")


def test_a_window_that_runs_into_a_blocked_month_ends_before_it() -> None:
    assert moved(blocked=(12,)) == (AUTUMN.begins, date(2025, 11, 30), "")


def test_a_window_over_a_blocked_month_ends_before_it_too() -> None:
    wide = replace(AUTUMN, ends=date(2026, 1, 10))
    assert moved(wide, blocked=(12,)) == (AUTUMN.begins, date(2025, 11, 30), "")


def test_a_visit_in_a_blocked_month_waits_until_it_is_over() -> None:
    assert moved(blocked=(11,)) == (date(2025, 12, 1), date(2025, 12, 15), "after_blocked")
    assert moved(blocked=(11, 12)) == (date(2026, 1, 1), date(2026, 1, 15), "after_blocked")
    # no later than the deadline, nor into the next blocked month
    early = replace(AUTUMN, deadline=date(2025, 12, 9))
    assert moved(early, blocked=(11,))[1] == date(2025, 12, 9)
    assert moved(blocked=(11, 1), late=60)[1] == date(2025, 12, 31)


def test_it_waits_up_to_the_limit_and_not_a_day_past_it() -> None:
    assert moved(replace(AUTUMN, limit=date(2025, 12, 1)), blocked=(11,))[2] == "after_blocked"
    before = moved(replace(AUTUMN, limit=date(2025, 11, 30)), blocked=(11,))
    assert before == (date(2025, 10, 17), date(2025, 10, 31), "before_blocked")


def test_the_window_before_a_blocked_month_is_as_wide_as_visits_are_late_and_not_too_soon() -> None:
    """Half of 112 days after 31 Jul is 25 Sep: no visit before that, and none in a month blocked as well."""
    near = replace(AUTUMN, limit=AUTUMN.begins)
    assert moved(near, blocked=(11,), late=60) == (date(2025, 9, 25), date(2025, 10, 31), "before_blocked")
    assert moved(near, blocked=(11, 9), late=60) == (date(2025, 10, 1), date(2025, 10, 31), "before_blocked")


def test_where_the_last_open_day_is_too_soon_after_the_last_visit_it_stays_and_says_so() -> None:
    near = replace(AUTUMN, limit=AUTUMN.begins, last=date(2025, 9, 6))
    assert moved(near, blocked=(11,))[2] == "in_blocked"  # 6 Sep + 56 days = 1 Nov
    assert moved(replace(near, last=date(2025, 9, 5)), blocked=(11,)) == (
        date(2025, 10, 31), date(2025, 10, 31), "before_blocked"
    )  # fmt: skip
    assert moved(near, blocked=(11,))[:2] == (AUTUMN.begins, AUTUMN.ends)


def test_no_visit_is_moved_to_a_day_gone_by() -> None:
    now = replace(AUTUMN, begins=AS_OF, ends=AS_OF, limit=AS_OF, last=date(2025, 1, 1))
    assert moved(now, blocked=(6,)) == (AS_OF, AS_OF, "in_blocked")


@pytest.mark.parametrize(
    ("arrival", "found"),
    [
        (date(2025, 12, 10), (date(2025, 11, 26), date(2025, 12, 9), "before_arrival")),
        # 56 days, half of the interval, either side of the visit's own day, and no further
        (date(2026, 1, 15), (date(2026, 1, 1), date(2026, 1, 14), "before_arrival")),
        (date(2026, 1, 16), (AUTUMN.begins, AUTUMN.ends, "")),
        (date(2025, 9, 25), (date(2025, 9, 11), date(2025, 9, 24), "before_arrival")),
        (date(2025, 9, 24), (AUTUMN.begins, AUTUMN.ends, "")),
    ],
)
def test_a_home_is_seen_to_within_a_fortnight_before_its_people_return(
    arrival: date, found: tuple[date, date, str]
) -> None:
    assert moved(arrival=arrival) == found


def test_a_return_never_moves_a_visit_past_its_limit() -> None:
    arrival = date(2025, 12, 10)
    assert moved(replace(AUTUMN, limit=date(2025, 11, 26)), arrival=arrival)[2] == "before_arrival"
    assert moved(replace(AUTUMN, limit=date(2025, 11, 25)), arrival=arrival)[2] == ""
    short = replace(AUTUMN, limit=date(2025, 11, 26), deadline=date(2025, 12, 3))
    assert moved(short, arrival=arrival)[1] == date(2025, 12, 3)


def test_a_return_today_moves_nothing_and_one_within_days_is_seen_to_at_once() -> None:
    soon = replace(AUTUMN, begins=AS_OF + timedelta(days=10))
    assert moved(soon, arrival=AS_OF)[2] == ""
    assert moved(soon, arrival=AS_OF + timedelta(days=3)) == (
        AS_OF,
        AS_OF + timedelta(days=2),
        "before_arrival",
    )


def test_the_visit_after_is_reckoned_past_blocked_months() -> None:
    assert days_to_next(AUTUMN, frozenset()) == 112  # 12 March
    assert days_to_next(AUTUMN, frozenset({3})) == 112 + 20  # 1 April


def arrivals(*absences: tuple[str, date | None], occupancy: str = "seasonal") -> dict[str, date]:
    sites = pl.DataFrame({"site_id": ["a", "b"], "occupancy": [occupancy, "all_year"]})
    rows = [(site, "vacant", date(2023, 1, 1), until) for site, until in absences]
    schema = {"site_id": pl.String, "kind": pl.String, "changed_on": pl.Date, "until": pl.Date}
    changes = pl.DataFrame(rows, schema=schema, orient="row")
    return dict(next_arrivals(sites=sites, changes=changes, as_of=AS_OF))


def test_people_return_when_an_absence_to_come_ends_else_on_the_day_of_the_last() -> None:
    assert arrivals(("a", date(2025, 8, 1)), ("a", date(2026, 8, 1))) == {"a": date(2025, 8, 1)}
    assert arrivals(("a", date(2024, 5, 10)), ("a", date(2025, 6, 10))) == {"a": date(2026, 6, 10)}
    assert arrivals(("a", date(2024, 9, 10))) == {"a": date(2025, 9, 10)}
    assert arrivals(("a", date(2024, 2, 29))) == {"a": date(2026, 2, 28)}
    assert arrivals(("a", AS_OF)) == {"a": date(2026, 6, 30)}


def test_homes_lived_in_all_year_and_absences_without_an_end_have_no_return() -> None:
    assert arrivals(("b", date(2025, 8, 1))) == {}
    assert arrivals(("a", None)) == {}
    sites = pl.DataFrame({"site_id": ["a"], "occupancy": ["seasonal"]})
    assert next_arrivals(sites=sites, changes=None, as_of=AS_OF) == {}
