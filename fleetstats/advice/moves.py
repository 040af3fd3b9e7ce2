"""Visits that are better made on another day: blocked months, a household's return, a plan just begun."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

import polars as pl

#: A home that stands empty part of the year is seen to within this many days before its people return.
BEFORE_ARRIVAL_DAYS: Final = 14
#: Visits that only a shorter interval makes due are spread over this many days from the start of the plan.
PHASE_IN_DAYS: Final = 42
MONTHS: Final = 12
MOVED: Final = ("before_arrival", "after_blocked", "before_blocked", "in_blocked", "phased_in", "nothing_due")


@dataclass(frozen=True, slots=True)
class Window:
    """When one address is visited next, and what bounds it.

    Attributes
    ----------
    begins, ends : date
        Book from, no later than.
    limit : date
        Last planned day that keeps every hard limit when the visit comes as late as visits do.
    deadline : date
        Last day that keeps every hard limit as it is written.
    visit_days : float
        Visit interval.
    last : date
        The visit before.
    moved : str
        Why it is not on its own day; one of MOVED or empty.
    """

    begins: date
    ends: date
    limit: date
    deadline: date
    visit_days: float
    last: date
    moved: str = ""


def moved_window(
    window: Window, *, as_of: date, blocked: frozenset[int], arrival: date | None, lateness_days: int
) -> Window:
    """Return the window moved before a household's return and out of blocked months, as limits allow.

    A visit in a blocked month waits until the month is over, unless that crosses a hard limit: then it is
    made before. Where no open day is left before the limit it stays, and says so.

    Parameters
    ----------
    window : Window
    as_of : date
        No visit is before it.
    blocked : frozenset of int
        Months 1 to 12 without planned visits.
    arrival : date or None
        When the household returns next.
    lateness_days : int
        How late visits happen.
    """
    if arrival is not None:
        window = _before_arrival(window, as_of, arrival)
    return _out_of_blocked(window, as_of, blocked, lateness_days) if blocked else window


def months_together(sites: Iterable[str], blocked_months: Mapping[str, frozenset[int]]) -> frozenset[int]:
    """Return the months without planned visits at any of the sites of an address.

    None, where together they leave no month: then the limits alone say when someone comes.

    Parameters
    ----------
    sites : iterable of str
    blocked_months : mapping
        Site -> months 1 to 12.
    """
    months = frozenset[int]().union(*(blocked_months.get(site, ()) for site in sites))
    return months if len(months) < MONTHS else frozenset()


def _before_arrival(window: Window, as_of: date, arrival: date) -> Window:
    last = arrival - timedelta(days=1)
    begins = max(arrival - timedelta(days=BEFORE_ARRIVAL_DAYS), as_of)
    nearest = abs((arrival - window.begins).days) <= window.visit_days / 2
    if last < as_of or not nearest or begins > window.limit:
        return window
    return replace(
        window, begins=begins, ends=max(min(last, window.deadline), begins), moved="before_arrival"
    )


def _out_of_blocked(window: Window, as_of: date, blocked: frozenset[int], lateness_days: int) -> Window:
    day = timedelta(days=1)
    if window.begins.month not in blocked:
        return replace(window, ends=min(window.ends, _last_open(window.begins, blocked)))
    after = _first_open(window.begins, blocked)
    if after <= window.limit:
        ends = min(after + day * lateness_days, window.deadline, _last_open(after, blocked))
        return replace(window, begins=after, ends=ends, moved="after_blocked")
    before = window.begins
    while before.month in blocked:
        before = before.replace(day=1) - day
    # so soon after the last visit another one would not carry the site through the blocked months either
    soonest = max(window.last + day * max(math.ceil(window.visit_days / 2), 7), as_of)
    if before < soonest:
        return replace(window, moved="in_blocked")
    begins = _first_open(max(before - day * lateness_days, soonest), blocked)
    return replace(window, begins=begins, ends=before, moved="before_blocked")


def _first_open(day: date, blocked: frozenset[int]) -> date:
    """Return the day, or the first of the next month that is not blocked."""
    while day.month in blocked:
        day = _next_month(day)
    return day


def _last_open(day: date, blocked: frozenset[int]) -> date:
    """Return the last day of the open stretch that `day` lies in."""
    following = _next_month(day)
    while following.month not in blocked:
        following = _next_month(following)
    return following - timedelta(days=1)


def _next_month(day: date) -> date:
    return date(day.year + day.month // 12, day.month % 12 + 1, 1)


def days_to_next(window: Window, blocked: frozenset[int]) -> int:
    """Return the days from a visit to the one after it, which no blocked month may hold."""
    following = _first_open(window.begins + timedelta(days=int(window.visit_days)), blocked)
    return (following - window.begins).days


def next_arrivals(*, sites: pl.DataFrame, changes: pl.DataFrame | None, as_of: date) -> Mapping[str, date]:
    """Return when the people of each home lived in part of the year return next.

    It is the end of an absence on record that is still to come, else the day of the year on which the last
    one ended. Homes without an absence on record are not among them.

    Parameters
    ----------
    sites : polars frame
        site_id, occupancy.
    changes : polars frame or None
        site_id, kind, changed_on, until.
    as_of : date
    """
    if changes is None or changes.is_empty() or "occupancy" not in sites.columns:
        return {}
    seasonal = set(sites.filter(pl.col("occupancy") == "seasonal")["site_id"])
    away = changes.filter((pl.col("kind") == "vacant") & pl.col("until").is_not_null())
    found: dict[str, date] = {}
    ends: dict[str, list[date]] = {}
    for site, until in away.select("site_id", "until").iter_rows():
        if site in seasonal:
            ends.setdefault(site, []).append(until)
    for site, own in ends.items():
        ahead = [end for end in own if end > as_of]
        found[site] = min(ahead) if ahead else _same_day_after(max(own), as_of)
    return found


def _same_day_after(day: date, as_of: date) -> date:
    """Return the next day after `as_of` with the month and day of `day`; 29 February counts as 28."""
    for year in (as_of.year, as_of.year + 1):
        found = date(year, day.month, min(day.day, 28) if day.month == 2 else day.day)
        if found > as_of:
            return found
    return found
