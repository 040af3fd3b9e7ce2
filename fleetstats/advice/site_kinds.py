"""Sites grouped by what they have, what bounds them and how fast they spend it, with what each kind costs."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from fleetstats.advice.fleet_rows import FleetRows
from fleetstats.advice.limits import HARD, LIMITS
from fleetstats.advice.terms import MOST_VISITS, ComponentTerms
from fleetstats.quantities import WEEK, FloatArray, IntArray
from fleetstats.tables import TABLES

MOST_KINDS: Final = 50
#: Sites with the same units and limits are cut into at most so many levels, of at least so many sites.
MOST_LEVELS, LEAST_A_LEVEL = 5, 5
_BEYOND = LIMITS.index("beyond_records")
_SIGNIFICANT = 6


@dataclass(frozen=True, slots=True)
class SiteKinds:
    """Kinds of sites; every figure is the mean over the sites of a kind, a site and year.

    Attributes
    ----------
    kinds : polars frame
        The table `what_if_kinds`, plans blank until `kind_plans`.
        kind (from 1), sites, level (from 1, most call-outs first), levels, callouts_low, callouts_high (a
        year under today's rule), trip_share (of a planned trip that a site bears), first_week, shortest_days,
        longest_days (visit intervals looked at), most_days (hard limit on the visit interval).
    units : polars frame
        The table `what_if_units`, plans blank until `kind_plans`.
        kind, component, slot, announced, of_uv_unit, held, longest_days (hard limit), longest_by (its name),
        beyond_days (limit by ages seen, the strictest of the sites), chance_limit, late_days (taken off the
        interval within that chance), today_days,
        customary_days, chances (list: chance of being spent by the end of each week, from week 1).
    rates : polars frame
        kind, component, slot, every_n, callouts, other_cost (lists over the visit intervals from
        `first_week` on, by the week: call-outs a year; money a year apart from their trips).
    left_out : int
        Sites in none of the kinds.
    """

    kinds: pl.DataFrame
    units: pl.DataFrame
    rates: pl.DataFrame
    left_out: int


@dataclass(frozen=True, slots=True)
class _Group:
    """Sites of one kind, and the rows of their units, (units of a site, sites)."""

    sites: IntArray
    units: IntArray
    level: int
    levels: int


def site_kinds(fleet: FleetRows, callouts_current: pl.DataFrame) -> SiteKinds:
    """Return the kinds of the served sites: same units in place, same limits, alike in call-outs.

    Sites at which nothing can be planned by its life are in no kind, nor are those beyond the commonest 50.

    Parameters
    ----------
    fleet : FleetRows
    callouts_current : polars frame
        site_id, callouts_per_year_current.
    """
    called = fleet.sites.join(callouts_current, on="site_id", how="left", maintain_order="left")[
        "callouts_per_year_current"
    ].to_numpy()
    groups = list(_groups(fleet, called))[:MOST_KINDS]
    of_kinds, of_units, rates = [], [], []
    for number, group in enumerate(groups, 1):
        of_kinds.append(_kind_row(number, group, fleet, called[group.sites]))
        for rows in group.units:
            key = {"kind": number, **fleet.units.row(int(rows[0]), named=True)}
            key = {name: key[name] for name in ("kind", "component", "slot")}
            kind = fleet.components[key["component"]]
            held = bool(fleet.held[rows[0]])
            of_units.append({**key, **_unit_row(rows, fleet, kind, held)})
            rates += [{**key, **row} for row in _rate_rows(rows, fleet, held)]
    return SiteKinds(
        TABLES["what_if_kinds"].of(of_kinds),
        TABLES["what_if_units"].of(of_units),
        TABLES["what_if_rates"].of(rates),
        fleet.sites.height - sum(len(group.sites) for group in groups),
    )


def _groups(fleet: FleetRows, called: FloatArray) -> Iterator[_Group]:
    """Yield the kinds, commonest units and limits first, most call-outs first within them."""
    alike: dict[tuple[Any, ...], list[tuple[int, list[int]]]] = {}
    there, held = np.flatnonzero(fleet.in_place), fleet.held
    fixed = fleet.limits.hard_unit_days
    of_visit = fleet.limits.visit_days.min(axis=1)
    names, slots = fleet.component, fleet.units["slot"].fill_null("").to_list()
    for site in np.unique(fleet.site[there]):
        rows = there[fleet.site[there] == site].tolist()
        if held[rows].all():
            continue
        key = tuple((names[row], slots[row], bool(held[row]), fixed[row], of_visit[row]) for row in rows)
        alike.setdefault(key, []).append((int(site), rows))
    for key in sorted(alike, key=lambda key: (-len(alike[key]), str(key))):
        found = sorted(alike[key], key=lambda pair: (-called[pair[0]], pair[0]))
        levels = int(np.clip(len(found) // LEAST_A_LEVEL, 1, MOST_LEVELS))
        ends = np.linspace(0, len(found), levels + 1).round().astype(int)
        for level in range(levels):
            some = found[ends[level] : ends[level + 1]]
            units = np.array([rows for _, rows in some], dtype=np.int64).T
            yield _Group(np.array([site for site, _ in some]), units, level + 1, levels)


def _kind_row(number: int, group: _Group, fleet: FleetRows, called: FloatArray) -> dict[str, Any]:
    return {
        "kind": number, "sites": len(group.sites), "level": group.level, "levels": group.levels,
        "callouts_low": float(called.min()), "callouts_high": float(called.max()),
        "trip_share": float((1.0 / fleet.sharing[group.sites]).mean()), "first_week": int(fleet.weeks[0]),
        "shortest_days": fleet.terms.shortest_visit_days,
        "longest_days": float(_usual_weeks(fleet)[-1] * WEEK),
        "most_days": float(fleet.limits.hard_visit_days[group.units].min()),
    }  # fmt: skip


def _unit_row(rows: IntArray, fleet: FleetRows, kind: ComponentTerms, held: bool) -> dict[str, Any]:
    hard = fleet.limits.unit_days[rows, :HARD]
    strictest = hard[hard.min(axis=1).argmin()]
    longest = float(strictest.min())
    beyond = float(fleet.limits.unit_days[rows, _BEYOND].min())
    chances: list[float] = []
    if not held:
        by_week = fleet.prices[kind.name].spent_by_week(fleet.life_row[rows]).mean(axis=0)
        most = len(by_week) if not np.isfinite(longest) else int(longest // WEEK) + 1
        chances = _rounded(by_week[:most])
    return {
        "announced": kind.announced, "of_uv_unit": kind.of_uv_unit, "held": held,
        "longest_days": longest if np.isfinite(longest) else None,
        "longest_by": LIMITS[int(strictest.argmin())] if np.isfinite(longest) else None,
        "beyond_days": beyond if np.isfinite(beyond) else None,
        "chance_limit": kind.failure_chance_limit,
        "late_days": fleet.terms.lateness_days if kind.of_uv_unit else 0.0,
        "today_days": kind.current_interval_days,
        "customary_days": kind.customary_days, "chances": chances,
    }  # fmt: skip


def _rate_rows(rows: IntArray, fleet: FleetRows, held: bool) -> Iterator[dict[str, Any]]:
    """Yield call-outs and other money of one unit, the mean over the sites, for each n."""
    weeks = len(_usual_weeks(fleet))
    callouts = other = np.zeros((weeks, MOST_VISITS))
    if not held:
        name = str(fleet.component[rows[0]])
        found = fleet.prices[name].yearly_parts(
            fleet.life_row[rows],
            planned_cost=fleet.planned_cost[rows],
            oldest_days=fleet.limits.hard_unit_days[rows],
        )
        callouts, other = (part.mean(axis=0)[:weeks] for part in found)
    for n in range(1, MOST_VISITS + 1):
        yield {
            "every_n": n,
            "callouts": _rounded(callouts[:, n - 1]),
            "other_cost": _rounded(other[:, n - 1]),
        }


def _usual_weeks(fleet: FleetRows) -> IntArray:
    """Return the visit intervals that any site may have; longer ones are priced only where decided on."""
    usual = fleet.weeks[fleet.weeks * WEEK <= fleet.terms.longest_visit_days]
    return usual if len(usual) else fleet.weeks[:1]


def _rounded(values: FloatArray) -> list[float]:
    """Return the values at six leading digits, so that the page carries no more than it needs."""
    return [float(f"{value:.{_SIGNIFICANT}g}") for value in values]
