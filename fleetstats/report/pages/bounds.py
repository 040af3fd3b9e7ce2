"""What agreed limits, decisions and months without planned visits cost a year: the owner's part on them."""

from collections.abc import Sequence
from dataclasses import dataclass

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Row
from fleetstats.report.pages.why import limit_cost
from fleetstats.report.results import Results
from fleetstats.report.tables import Cell, Column, Table

_DECIDED = {"accepted": "accepted", "refused": "refused", "trial": "on trial"}
_BLOCKED = "blocked_months"
_FREE = "visit_interval_days_without"
#: A plan this far under the days agreed is said to lie there for the lateness of visits.
_FAR_UNDER_DAYS = 14.0
#: What is the same in two rows of one address makes them one row.
_SAME = ("kind", "max_days", "source", "decided_on", "unpriced")
_SHARED = ("cost_per_year_more", "low", "high", "callouts_per_year_more", "trips_per_year_more")


@dataclass(frozen=True, slots=True)
class Bounds:
    """What limits and decisions cost, and, apart, months without planned visits; "" where there are none."""

    agreed: Table
    blocked_told: str
    blocked: Table


@dataclass(frozen=True, slots=True)
class _Joint:
    """One limit, decision or set of blocked months of an address: its homes, and its cost in one row."""

    sites: tuple[str, ...]
    row: Row


def bounds(results: Results) -> Bounds:
    """Return every limit and decision with what it costs a year, dearest first; blocked months apart."""
    joint = _joint(results)
    agreed = [one for one in joint if one.row["kind"] != _BLOCKED]
    blocked = [one for one in joint if one.row["kind"] == _BLOCKED]
    return Bounds(
        _agreed(results, agreed),
        _blocked_told(results, blocked) if blocked else "",
        _blocked(results, blocked),
    )


def _joint(results: Results) -> list[_Joint]:
    """Return the rows of each address made one, dearest first, those without a price last.

    The homes at an address each carry an even share of its cost, so the shares add up to it.
    """
    at = dict(results.sites.select("site_id", "address_id").iter_rows())
    found: dict[tuple[object, ...], list[Row]] = {}
    for row in results.limit_costs.iter_rows(named=True):
        place = at.get(row["site_id"]) or ("alone", row["site_id"])
        found.setdefault((place, *(row[name] for name in _SAME)), []).append(row)
    joint = [
        _Joint(tuple(row["site_id"] for row in rows), rows[0] | {name: _sum(rows, name) for name in _SHARED})
        for rows in found.values()
    ]
    return sorted(joint, key=_dearest_first)


def _sum(rows: Sequence[Row], name: str) -> float | None:
    known = [row[name] for row in rows if row[name] is not None]
    return sum(known) if known else None


def _dearest_first(one: _Joint) -> tuple[bool, float, str]:
    cost = one.row["cost_per_year_more"]
    return cost is None, 0.0 if cost is None else -cost, one.sites[0]


def _home(results: Results, one: _Joint) -> Cell:
    first, *others = one.sites
    name = parts.site_names(results.sites).get(first, first)
    shared = f", shared with {words.listed(others)}" if others else ""
    return tables.text(f"{name}{shared}", parts.site_href(first))


def _agreed(results: Results, joint: Sequence[_Joint]) -> Table:
    rows = tuple(
        (
            _home(results, one), tables.text(_bound(one.row)),
            tables.text(one.row["source"] or "not on record"),
            *_weeks(one.row), _cost(results, one.row),
        )
        for one in joint
    )  # fmt: skip
    columns = (
        Column("site", "Site"), Column("held_by", "Limit or decision"), Column("source", "Where it stands"),
        Column("visit_interval_days", "Weeks planned", True),
        Column("visit_interval_days_without", "Weeks without it", True),
        Column("cost_per_year_more", "What it costs", long=True),
    )  # fmt: skip
    return Table(
        "limit-costs", "What limits and decisions cost", columns, rows,
        "No limit is agreed for a site, and no decision is on record.", "data/limit-costs.csv",
    )  # fmt: skip


def _weeks(row: Row) -> tuple[Cell, Cell]:
    plan, free = row["visit_interval_days"], row["visit_interval_days_without"]
    with_it, without = words.week_number(plan), words.week_number(free)
    told = "no other" if with_it == without else words.whole(without)
    return tables.number(words.whole(with_it), plan), tables.number(told, free)


def _cost(results: Results, row: Row) -> Cell:
    cost = row["cost_per_year_more"]
    return tables.number(limit_cost(row, results.display.currency), None if cost is None else round(cost, 2))


def _bound(row: Row) -> str:
    most, plan = row["max_days"], row["visit_interval_days"]
    if row["decided_on"] is None:
        told, free = f"{labels.plain(row['kind'])}: at most {words.whole(most)} days", row[_FREE]
        if plan == free and words.round_money(row["cost_per_year_more"] or 0.0):
            return f"{told}; visits come that often anyway, parts are renewed sooner for it"
        if plan < free and most - plan >= _FAR_UNDER_DAYS:
            return f"{told} ({words.weeks(most)}), kept even where visits come late"
        return told
    how = _DECIDED.get(row["kind"], labels.plain(row["kind"]))
    interval = "" if most is None else f"{words.weeks(most)} "
    return f"{interval}{how} on {words.day(row['decided_on'])}"


def _blocked(results: Results, joint: Sequence[_Joint]) -> Table:
    rows = tuple(
        (
            _home(results, one), tables.text(one.row["source"]), tables.text(_moved(one.row)),
            _cost(results, one.row),
        )
        for one in joint
    )  # fmt: skip
    columns = (
        Column("site", "Site"), Column("source", "Which months"),
        Column("visits", "Visits then lie", long=True),
        Column("cost_per_year_more", "What they cost", long=True),
    )  # fmt: skip
    return Table(
        "blocked-costs", "What months without planned visits cost, by address", columns, rows,
        "Visits are planned in every month.", "data/blocked-costs.csv",
    )  # fmt: skip


def _moved(row: Row) -> str:
    """Return how far apart visits lie on average, and by how many days that is off the plan."""
    mean, plan = row["visit_interval_days"], row["visit_interval_days_without"]
    if mean == plan:
        return f"{words.weeks(plan)} apart, as planned"
    apart = f"{words.weeks(plan)} apart as planned"
    if mean > plan:
        return f"{apart}, {words.counted(mean - plan, 'day')} longer on average"
    return (
        f"{apart}, {words.counted(plan - mean, 'day')} shorter on average: made before those months, where a "
        "limit, less the days that visits come late by, bars waiting until they are over"
    )


def _blocked_told(results: Results, joint: Sequence[_Joint]) -> str:
    """Return what they cost together, as sentences."""
    currency, unpriced = results.display.currency, [one for one in joint if one.row["unpriced"]]
    homes = words.counted(sum(len(one.sites) for one in joint), "home")
    told = f"They hold for {homes} at {_addresses(len(joint))}."
    for row in results.blocked_total.drop_nulls("cost_per_year_more").iter_rows(named=True):
        more, low, high = row["cost_per_year_more"], row["low"], row["high"]
        way, ends = ("cost", (low, high)) if more >= 0 else ("save", (-high, -low))
        told += (
            f" Together they {way} {words.money(abs(more), currency)} a year (range "
            f"{words.money_range(*ends)}){_calls(row['callouts_per_year_more'])}: over "
            f"{_addresses(row['addresses_priced'])} with a price, each counted once."
        )
    if unpriced:
        why = dict.fromkeys(limit_cost(one.row, currency) for one in unpriced)
        told += f" Left out of it: {_addresses(len(unpriced))}, which {words.listed(why)}."
    return told


def _addresses(count: int) -> str:
    return words.counted(count, "address", "addresses")


def _calls(more: float | None) -> str:
    if more is None or abs(more) < 0.05:
        return ""
    way = "more" if more > 0 else "fewer"
    return f", with {words.amount(abs(more))} call-outs a year {way}"
