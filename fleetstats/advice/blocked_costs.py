"""What months without planned visits cost a year: visits as they then fall, less those of the plan."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import polars as pl

from fleetstats.advice.fleet_rows import FleetRows
from fleetstats.advice.limit_costs import FEW_RECORDS
from fleetstats.advice.moves import Window, months_together, moved_window
from fleetstats.advice.visit_rule import CENTURY
from fleetstats.quantities import DAYS_PER_YEAR, WEEK, FloatArray, IntArray
from fleetstats.tables import TABLES

#: What such a row of the table is called, and why one may have no price.
BLOCKED_MONTHS: Final = "blocked_months"
OUT_OF_RANGE: Final = "out_of_range"
#: Visits are followed over so many years: long enough for the plan and the calendar to fall into step.
_YEARS: Final = 8
_AT_ONCE: Final = 4000
_KEY: Final = ("site_id", "component", "slot")
_MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class BlockedCosts:
    """What blocked months cost: by site, rows of `limit_costs`, and together, `blocked_total`."""

    sites: pl.DataFrame
    total: pl.DataFrame


@dataclass(frozen=True, slots=True)
class _Stop:
    """One address: rows of its sites with blocked months, its visit interval, and the days between visits."""

    address: int
    sites: tuple[int, ...]
    months: frozenset[int]
    visit_days: int
    gaps: tuple[int, ...]

    def weighed(self) -> tuple[IntArray, FloatArray]:
        """Return the different stretches in days, by whole weeks, and the share of the time in each."""
        gaps = np.array(self.gaps, dtype=np.int64)
        weeks, at = np.unique(np.maximum(np.rint(gaps / WEEK), 1).astype(np.int64), return_inverse=True)
        return weeks * WEEK, np.bincount(at, gaps) / gaps.sum()


def blocked_costs(
    *,
    fleet: FleetRows,
    intervals: pl.DataFrame,
    due: pl.DataFrame,
    blocked_months: Mapping[str, frozenset[int]],
) -> BlockedCosts:
    """Return what the months without planned visits cost a year: each site, and all addresses together.

    The plan's visits are followed from the next one on, each moved out of those months as `moves` does. A
    stretch between two visits is priced, by whole weeks, as if visits went on at that interval with the
    plan's renewals; the prices are averaged by time. It is the cost of the whole address, shared evenly among
    its sites with such months; `visit_interval_days` is the mean time between visits. Sites where the records
    are too few for a plan, or with a stretch outside the visit intervals looked at, have no price (see
    `unpriced`); the sum is over the addresses that have one, draw by draw, each counted once.

    Parameters
    ----------
    fleet : FleetRows
    intervals : polars frame
        The intervals of its plans.
    due : polars frame
        The due list.
    blocked_months : mapping
        Site -> months 1 to 12 without planned visits.
    """
    stops = _stops(fleet, intervals, due, blocked_months)
    if not stops:
        return BlockedCosts(TABLES["limit_costs"].of(), TABLES["blocked_total"].of())
    cost, callouts = _more(fleet, intervals, stops)
    names = fleet.sites["site_id"]
    known = _known(fleet, intervals)
    first, last = fleet.weeks[0] * WEEK, fleet.weeks[-1] * WEEK
    rows, priced = [], []
    for at, stop in enumerate(stops):
        days, _ = stop.weighed()
        unpriced = None if stop.address in known else FEW_RECORDS
        if unpriced is None and (days[0] < first or days[-1] > last):
            unpriced = OUT_OF_RANGE
        if unpriced is None:
            priced.append(at)
        mean, share = float(np.mean(stop.gaps)), len(stop.sites)
        money = (cost[at].mean(), *np.quantile(cost[at], (0.05, 0.95)))
        told = (None,) * 4 if unpriced else tuple(float(v) / share for v in (callouts[at], *money))
        trips = DAYS_PER_YEAR * (1 / mean - 1 / stop.visit_days) / share
        facts = (BLOCKED_MONTHS, None, _told(stop.months), None, round(mean), stop.visit_days, trips)
        rows += [(names[site], *facts, *told, unpriced, None) for site in stop.sites]
    return BlockedCosts(TABLES["limit_costs"].of(rows), _total(stops, priced, cost, callouts))


def _total(
    stops: Sequence[_Stop], priced: Sequence[int], cost: FloatArray, callouts: FloatArray
) -> pl.DataFrame:
    """Return the sums over the addresses with a price, the range from sums draw by draw."""
    sums = cost[list(priced)].sum(axis=0)
    low, high = np.quantile(sums, (0.05, 0.95))
    trips = sum(DAYS_PER_YEAR * (1 / np.mean(stops[at].gaps) - 1 / stops[at].visit_days) for at in priced)
    told = (float(trips), float(callouts[list(priced)].sum()), float(sums.mean()), float(low), float(high))
    counts = (sum(len(stop.sites) for stop in stops), len(stops), len(priced))
    row = (*counts, *(told if priced else (None,) * len(told)))
    return TABLES["blocked_total"].of([row])


def _told(months: frozenset[int]) -> str:
    return f"settings: {', '.join(_MONTHS[month - 1] for month in sorted(months))}"


def _known(fleet: FleetRows, intervals: pl.DataFrame) -> frozenset[int]:
    """Return the addresses at which something in place is planned by its records."""
    planned = fleet.units.join(intervals.select(*_KEY, "evidence"), on=_KEY, how="left").filter(
        ~pl.col("removed").fill_null(False), pl.col("evidence") != "customary"
    )
    return frozenset(planned["address"])


def _stops(
    fleet: FleetRows,
    intervals: pl.DataFrame,
    due: pl.DataFrame,
    blocked_months: Mapping[str, frozenset[int]],
) -> list[_Stop]:
    """Return the addresses that have blocked months, with the days between the visits that these leave."""
    there = fleet.in_place
    most = np.full(fleet.sites["address"].n_unique(), np.inf)
    np.minimum.at(most, fleet.address[there], fleet.limits.hard_visit_days[there])
    plan = intervals.group_by("site_id").agg(pl.col("visit_interval_days").first())
    first = due.group_by("site_id").agg(pl.col("visit_from").min())
    rows = (
        fleet.sites.select("address", "site_id", "site_row")
        .join(plan, on="site_id", how="left", maintain_order="left")
        .join(first, on="site_id", how="left", maintain_order="left")
    )
    at: dict[int, list[tuple[str, int, int, date]]] = {}
    for address, *site in rows.iter_rows():
        at.setdefault(address, []).append(tuple(site))
    found = []
    for address, own in at.items():
        sites = tuple(row for site, row, _, _ in own if blocked_months.get(site))
        blocked = months_together((site for site, *_ in own), blocked_months)
        if sites and blocked:
            days = own[0][2]
            gaps = days_between_visits(
                min(starts for *_, starts in own), visit_days=days, most_days=most[address], blocked=blocked
            )
            found.append(_Stop(address, sites, blocked, days, gaps))
    return found


def days_between_visits(
    first: date, *, visit_days: int, most_days: float, blocked: frozenset[int]
) -> tuple[int, ...]:
    """Return the days between visits over some years from the first on, with months that hold none.

    Visits are moved out of those months as `moved_window` moves them.

    Parameters
    ----------
    first : date
        The next visit.
    visit_days : int
        Visit interval.
    most_days : float
        Hard limit on the time between visits.
    blocked : frozenset of int
        Months 1 to 12 without planned visits; not all of them.
    """
    on, end, gaps = first, first + timedelta(days=int(_YEARS * DAYS_PER_YEAR)), []
    most = timedelta(days=int(min(most_days, CENTURY)))
    while on < end:
        wanted, limit = on + timedelta(days=visit_days), on + most
        window = Window(wanted, wanted, limit, limit, visit_days, on)
        moved = moved_window(window, as_of=on, blocked=blocked, arrival=None, lateness_days=0)
        gaps.append((moved.begins - on).days)
        on = moved.begins
    return tuple(gaps)


def _more(fleet: FleetRows, intervals: pl.DataFrame, stops: Sequence[_Stop]) -> tuple[FloatArray, FloatArray]:
    """Return what each address costs a year more, draw by draw (stops, D), and call-outs (stops,)."""
    draws = next((prices.draws for prices in fleet.prices.values()), 1)
    cost, callouts = np.zeros((len(stops), draws)), np.zeros(len(stops))
    plan_days = np.array([stop.visit_days for stop in stops], dtype=np.float64)
    mean_days = np.array([np.mean(stop.gaps) for stop in stops])
    cost += (fleet.terms.trip_cost * DAYS_PER_YEAR * (1 / mean_days - 1 / plan_days))[:, None]
    units = fleet.units.with_row_index("row").join(
        intervals.select(*_KEY, "every_n_visits"), on=_KEY, how="left", maintain_order="left"
    )
    units = units.filter(~pl.col("removed").fill_null(False), pl.col("life_row").is_not_null())
    for name, prices in fleet.prices.items():
        own = units.filter(pl.col("component") == name)
        row, stop_at, days, weight = _stretches(own, stops)
        for start in range(0, len(row), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            rows = row[part]
            every_n = own["every_n_visits"].to_numpy()[rows]
            # what stays at a visit is judged by the plan's interval, not by the stretch that follows
            stays = days[part] + (every_n - 0.5) * plan_days[stop_at[part]]
            hard = fleet.limits.hard_unit_days[own["row"].to_numpy()[rows]]
            found = prices.yearly_draws(
                own["life_row"].to_numpy()[rows],
                planned_cost=own["planned_cost"].to_numpy()[rows],
                visit_days=days[part],
                every_n=every_n,
                oldest_days=np.minimum(hard, stays),
            )
            np.add.at(cost, stop_at[part], found.cost * weight[part, None])
            np.add.at(callouts, stop_at[part], found.callouts.mean(axis=1) * weight[part])
    return cost, callouts


def _stretches(
    units: pl.DataFrame, stops: Sequence[_Stop]
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Return unit, stop, days and share of time of every stretch to price; the plan's own counts -1."""
    at_address: dict[int, list[int]] = {}
    for row, address in enumerate(units["address"]):
        at_address.setdefault(address, []).append(row)
    found = []
    for at, stop in enumerate(stops):
        days, share = stop.weighed()
        for row in at_address.get(stop.address, []):
            found.append((row, at, stop.visit_days, -1.0))
            found += [(row, at, *one) for one in zip(days.tolist(), share.tolist(), strict=True)]
    rows, at_stop, lengths, weights = zip(*found, strict=True) if found else ((), (), (), ())
    return (
        np.array(rows, dtype=np.int64), np.array(at_stop, dtype=np.int64),
        np.array(lengths, dtype=np.float64), np.array(weights, dtype=np.float64),
    )  # fmt: skip
