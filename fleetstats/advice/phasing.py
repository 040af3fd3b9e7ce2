"""The weeks ahead: in which week each address is visited, levelled, within what each crew can do."""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any, Final

import polars as pl

from fleetstats.advice.address import with_address
from fleetstats.advice.moves import Window, days_to_next, months_together, moved_window
from fleetstats.advice.visit_rule import CENTURY, past_interval, past_limit
from fleetstats.tables import TABLES

#: How far ahead weeks are planned; a site visited more often than that has several rows.
WEEKS_AHEAD: Final = 26
#: Where a crew has too much to do, a visit may come this share of its visit interval before its window.
EARLIER_SHARE: Final = 0.25
_NO_LIMIT: Final = 3652.0
_WEEK: Final = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class UnitAhead:
    """One unit in place: when it goes in, its interval, the oldest it may be planned to get, and may get.

    `hard_days` is the strictest hard limit net of lateness, `deadline_days` as it is written; both far off
    where there is none. `renewed` says whether the next visit renews it; None: the visit rule is asked then.
    """

    fitted: date
    visit_days: float
    interval_days: float
    hard_days: float
    deadline_days: float
    renewed: bool | None = None

    @property
    def limit(self) -> date:
        """Last planned day of a visit that renews it."""
        return self.fitted + timedelta(days=int(self.hard_days))

    @property
    def deadline(self) -> date:
        """Last day on which it may be renewed at all."""
        return self.fitted + timedelta(days=int(self.deadline_days))

    def stays(self, on: date, days_to_next: int) -> bool:
        """Return whether a visit on that day leaves it in place, by the visit rule."""
        if self.renewed is not None:
            return not self.renewed
        age = (on - self.fitted).days
        by_rule = past_interval(age, visit=self.visit_days, interval=self.interval_days)
        by_limit = past_limit(age, to_next=max(self.visit_days, days_to_next), limit=self.hard_days)
        return not (by_rule or by_limit)


@dataclass(frozen=True, slots=True)
class Stop:
    """One visit of one address: its window, how urgent it is (0 first), what moved it, and what it finds."""

    address: str
    sites: tuple[str, ...]
    crew: str
    visit: int
    begins: date
    ends: date
    visit_days: float
    visit_limit_days: float
    urgency: int
    risk: float
    blocked: frozenset[int]
    moved: str = ""
    soonest: date = date.min
    units: tuple[UnitAhead, ...] = ()


@dataclass(slots=True)
class _Weeks:
    """Stops placed so far, by crew and week."""

    most: float
    as_of: date
    count: dict[tuple[str, date], int] = field(default_factory=lambda: defaultdict(int))

    def full(self, crew: str, week: date) -> bool:
        return self.count[crew, week] >= self.most

    def of(self, begins: date, ends: date) -> list[date]:
        """Return the first days of the weeks that a window touches."""
        first, last = ((day - self.as_of).days // 7 for day in (begins, ends))
        return [self.as_of + step * _WEEK for step in range(first, last + 1)]


def calendar(
    *,
    due: pl.DataFrame,
    sites: pl.DataFrame,
    intervals: pl.DataFrame,
    as_of: date,
    lateness_days: float,
    stops_per_week: float | None,
    blocked_months: Mapping[str, frozenset[int]],
) -> pl.DataFrame:
    """Return the week in which each site is visited, over the half year from `as_of`.

    Urgent visits come first, in the week of `as_of`. The others are placed in order of their last day, each
    in the emptiest week of its window. Where all weeks of a window are full, it is moved earlier, by up to a
    quarter of its visit interval; where those are full too it stays in its own window and does not fit. A
    later visit of the same site follows its interval after the week planned, sooner where a unit that the
    visit before leaves in place would reach a hard limit.

    Parameters
    ----------
    due : polars frame
        The due list.
    sites : polars frame
        site_id, crew, address_id (null = an address of its own).
    intervals : polars frame
        The intervals of `plan_visits`.
    as_of : date
    lateness_days : float
        How late visits happen: the width of later windows.
    stops_per_week : float or None
        The most stops of one crew in a week; None = no bound.
    blocked_months : mapping
        Site -> months without planned visits.

    Returns
    -------
    polars frame
        site_id, visit (1 = the next), crew, book_from, no_later_than, week (its first day; weeks are
        counted from as-of), stops (1 shared by
        the sites of an address), moved (why it is not on its own day; null = it is), fits (false = its
        crew has too much to do in all of its weeks).
    """
    held = _Weeks(math.inf if stops_per_week is None else max(stops_per_week, 1.0), as_of)
    end = as_of + WEEKS_AHEAD * _WEEK
    units = units_ahead(due, intervals, as_of)
    waiting = [
        replace(stop, units=tuple(unit for site in stop.sites for unit in units.get(site, ())))
        for stop in _first_stops(due, sites, intervals, blocked_months, lateness_days)
    ]
    rows: list[tuple[object, ...]] = []
    while waiting:
        # later visits wait for the week of the visit before: all that are known now are placed first
        later = []
        for stop in sorted(waiting, key=_order):
            week, told, fits = _place(stop, held)
            held.count[stop.crew, week] += 1
            share = 1.0 / len(stop.sites)
            rows += [
                (site, stop.visit, stop.crew or None, stop.begins, stop.ends, week, share, told or None, fits)
                for site in stop.sites
            ]
            on = stop.begins if week <= stop.begins < week + _WEEK else week
            following = _following(stop, on, int(lateness_days))
            if following.begins < end:
                later.append(following)
        waiting = later
    return TABLES["calendar"].of(rows).sort("week", "crew", "book_from", "site_id", "visit")


def weekly_load(planned: pl.DataFrame, *, as_of: date, stops_per_week: float | None) -> pl.DataFrame:
    """Return the stops of each crew in each week ahead, empty weeks too.

    Parameters
    ----------
    planned : polars frame
        A `calendar`.
    as_of : date
    stops_per_week : float or None

    Returns
    -------
    polars frame
        crew, week, stops, most_stops (null = no bound), over (stops beyond it), moved_earlier (stops brought
        forward into that week).
    """
    weeks = pl.DataFrame({"week": [as_of + step * _WEEK for step in range(WEEKS_AHEAD)]})
    crews = planned.select("crew").unique().sort("crew", nulls_last=True)
    most = pl.lit(stops_per_week, pl.Float64)
    counted = planned.group_by("crew", "week").agg(
        pl.col("stops").sum().round(6),
        moved_earlier=((pl.col("moved") == "crew_full") * pl.col("stops")).sum().round().cast(pl.Int64),
    )
    return (
        crews.join(weeks, how="cross")
        .join(counted, on=["crew", "week"], how="left", nulls_equal=True, maintain_order="left")
        .with_columns(pl.col("stops").fill_null(0.0), pl.col("moved_earlier").fill_null(0), most_stops=most)
        .with_columns(over=(pl.col("stops") - pl.col("most_stops")).clip(0.0).fill_null(0.0))
    )


def _first_stops(
    due: pl.DataFrame,
    sites: pl.DataFrame,
    intervals: pl.DataFrame,
    blocked_months: Mapping[str, frozenset[int]],
    lateness_days: float,
) -> list[Stop]:
    """Return the next visit of every address."""
    if "crew" not in sites.columns:
        sites = sites.with_columns(crew=pl.lit(None, pl.String))
    limit = pl.col("visit_deadline_days").min().fill_null(math.inf) - lateness_days
    days = intervals.group_by("site_id").agg(pl.col("visit_interval_days").min(), visit_limit_days=limit)
    found = (
        due.join(with_address(sites).select("site_id", "crew", "address"), on="site_id")
        .join(days, on="site_id")
        .group_by("address")
        .agg(
            pl.col("site_id").unique().sort(),
            pl.col("crew").sort(nulls_last=True).first(),
            pl.col("visit_from", "visit_by", "visit_interval_days", "visit_limit_days", "urgency").min(),
            risk=pl.col("chance_already_spent").max().fill_null(0.0),
            moved=pl.col("moved").sort(nulls_last=True).first(),
        )
        .sort("address")
    )
    return [
        Stop(
            row["address"], tuple(row["site_id"]), row["crew"] or "", 1, row["visit_from"], row["visit_by"],
            float(row["visit_interval_days"]), row["visit_limit_days"], row["urgency"], row["risk"],
            months_together(row["site_id"], blocked_months),
            row["moved"] or "",
        )
        for row in found.iter_rows(named=True)
    ]  # fmt: skip


def _order(stop: Stop) -> tuple[object, ...]:
    return (min(stop.urgency, 2), stop.ends, -stop.risk, stop.address)


def _place(stop: Stop, held: _Weeks) -> tuple[date, str, bool]:
    """Return the week of a stop, what moved it, and whether its crew can do it then."""
    own = held.of(stop.begins, stop.ends)
    if stop.urgency < 2:
        return own[0], stop.moved, not held.full(stop.crew, own[0])
    open_weeks = [week for week in own if not held.full(stop.crew, week)]
    if open_weeks:
        return _emptiest(open_weeks, stop.crew, held), stop.moved, True
    first = max(stop.begins - timedelta(days=int(stop.visit_days * EARLIER_SHARE)), held.as_of, stop.soonest)
    earlier = [
        week
        for week in held.of(first, stop.begins)
        if not held.full(stop.crew, week) and not {week.month, (week + _WEEK).month} & stop.blocked
    ]
    if earlier and earlier[-1] < own[0]:
        return earlier[-1], "crew_full", True
    return _emptiest(own, stop.crew, held), stop.moved, False


def _emptiest(weeks: Sequence[date], crew: str, held: _Weeks) -> date:
    return min(weeks, key=lambda week: (held.count[crew, week], week))


def _following(stop: Stop, on: date, lateness_days: int) -> Stop:
    """Return the visit after one made `on` that day: its interval on, within limits and open months."""
    interval, late = timedelta(days=int(stop.visit_days)), timedelta(days=lateness_days)
    # bounds of the time between visits first, then those of each unit that stays
    limit = on + timedelta(days=min(stop.visit_limit_days, _NO_LIMIT))
    deadline = limit + late
    window = Window(on, on, limit, deadline, stop.visit_days, on)
    units = after_visit(stop.units, on, days_to_next(window, stop.blocked))
    limit = min([limit, *(unit.limit for unit in units)])
    deadline = min([deadline, *(unit.deadline for unit in units)])
    begins = max(min(on + interval, limit), min(on + _WEEK, on + interval))
    ends = max(min(begins + late, deadline), begins)
    window = Window(begins, ends, limit, deadline, stop.visit_days, on)
    window = moved_window(window, as_of=on, blocked=stop.blocked, arrival=None, lateness_days=lateness_days)
    return replace(
        stop, visit=stop.visit + 1, begins=window.begins, ends=window.ends, urgency=2, risk=0.0,
        moved=window.moved, soonest=on + _WEEK, units=units,
    )  # fmt: skip


def units_ahead(
    due: pl.DataFrame, intervals: pl.DataFrame, as_of: date
) -> Mapping[str, tuple[UnitAhead, ...]]:
    """Return the units in place at each site, as its next visit finds them.

    Parameters
    ----------
    due : polars frame
        site_id, component, slot, action, age_days (null = unknown, then renewed; or nothing is in place).
    intervals : polars frame
        As in `due_list`.
    as_of : date
    """
    key = ("site_id", "component", "slot")
    facts = ("visit_interval_days", "interval_days", "hard_limit_days", "deadline_days")
    found: dict[str, list[UnitAhead]] = {}
    for row in due.join(intervals.select(*key, *facts), on=key).iter_rows(named=True):
        renewed = row["action"] != "inspect"
        if row["age_days"] is None and not renewed:
            continue
        found.setdefault(row["site_id"], []).append(_unit(row, as_of, renewed))
    return {site: tuple(units) for site, units in found.items()}


def _unit(row: Mapping[str, Any], as_of: date, renewed: bool) -> UnitAhead:
    hard, deadline = (
        CENTURY if days is None else min(days, CENTURY)
        for days in (row["hard_limit_days"], row["deadline_days"])
    )
    fitted = as_of - timedelta(days=row["age_days"] or 0)
    return UnitAhead(fitted, row["visit_interval_days"], row["interval_days"], hard, deadline, renewed)


def after_visit(units: Sequence[UnitAhead], on: date, days_to_next: int) -> tuple[UnitAhead, ...]:
    """Return the units as a visit on that day leaves them, so many days before the next."""
    return tuple(
        replace(unit, renewed=None, fitted=unit.fitted if unit.stays(on, days_to_next) else on)
        for unit in units
    )
