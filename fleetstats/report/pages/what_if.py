"""The owner's "what if": costs and tolerated chance moved on the page, typical intervals answered at once."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from fleetstats.components import label_of, plural_of
from fleetstats.quantities import DAYS_PER_YEAR, WEEK
from fleetstats.report import labels, tables, words
from fleetstats.report.pages import costs, parts
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table, html_json

NEAR_EQUAL: Final = 0.02
#: Call-outs a year that count as one, and those too rare to say in how many years.
_ABOUT_ONE, _ONCE_IN_A_LIFETIME = 0.95, 0.05
#: Limits that belong to a site, not to a component.
_OF_THE_SITE: Final = ("failed_sample", "open_alarm", "site_limit", "local_rule")


@dataclass(frozen=True, slots=True)
class Control:
    """One thing that can be moved: a slider and a field for the same number."""

    name: str
    label: str
    value: str
    most: str
    step: str
    least: str = "0"


@dataclass(frozen=True, slots=True)
class WhatIf:
    """The section of the owner's page; without `controls` there is nothing to move."""

    told: str
    left_out: str
    controls: tuple[Control, ...]
    kinds: tuple[str, ...]
    table: Table
    data: str


def what_if(results: Results) -> WhatIf:
    """Return the section: every kind of site, its answer at the settings' costs, what the script weighs."""
    if costs.instead(results):
        results = results.replaced(what_if_kinds=results.what_if_kinds.clear())
    names = _names(results)
    table = _table(results, names)
    if not names:
        told = "The records are too few to say what other costs would change."
        return WhatIf(told, "", (), (), table, "")
    placed = int(results.what_if_kinds["sites"].sum())
    missing = max(results.plans.height - placed, 0)
    left_out = (
        f"{words.counted(missing, 'site')} with limits or units of their own stand in no kind; their plans "
        "stand in their rows."
    )
    return WhatIf(
        told=(
            f"{words.counted(placed, 'site')} in {words.counted(len(names), 'kind')}, by what they have, "
            "what limits them and how often they call today. This is what typical sites of a kind would "
            "get if all of it were visited alike; each site's own plan stands in its row."
        ),
        left_out=left_out if missing else "",
        controls=_controls(results),
        kinds=tuple(names),
        table=table,
        data=html_json(_data(results, names)),
    )


def _controls(results: Results) -> tuple[Control, ...]:
    display = results.display
    found = []
    for name, label, value in (
        ("trip", f"A planned trip, {display.currency}", display.trip_cost or 0.0),
        ("callout", f"A call-out, before the part, {display.currency}", display.callout_cost or 0.0),
    ):
        most = max(200.0, words.round_money(3.0 * value))
        found.append(Control(name, label, _plain(value), _plain(most), _step(value)))
    asked = 100.0 * _tolerated(results)
    label = "Tolerated chance that a part is spent before its interval, in 100 (100: any)"
    return (*found, Control("chance", label, _plain(asked), "100", _step(asked), "1"))


def _tolerated(results: Results) -> float:
    """Return where the control of the chance starts: the loosest of the components' limits."""
    return float(results.what_if_units["chance_limit"].max())  # type: ignore[arg-type]


def _plain(value: float) -> str:
    return f"{value:.6g}"


def _step(value: float) -> str:
    """Return a step on whose grid the value lies, so that a slider does not move it by itself."""
    for step in ("1", "0.1", "0.01"):
        if abs(value / float(step) - round(value / float(step))) < 1e-9:
            return step
    return "any"


def _names(results: Results) -> list[str]:
    """Return what each kind is called: its call-outs today, and what sets it apart from the commonest."""
    found: list[str] = []
    usual: Counter[str] | None = None
    for row in results.what_if_kinds.sort("kind").iter_rows(named=True):
        units = results.what_if_units.filter(pl.col("kind") == row["kind"])
        held = Counter(units["component"].to_list())
        usual = usual or held
        told = [
            f"Sites with {how_often(row['callouts_low'], row['callouts_high'])} today",
            *_differences(results, held, usual),
        ]
        if _limited_there(row, units):
            told.append(f"visits at most every {words.weeks(row['most_days'])}")
        name = "; ".join(told)
        found.append(f"{name} ({row['kind']})" if name in found else name)
    return found


def _differences(results: Results, held: Counter[str], usual: Counter[str]) -> list[str]:
    missing = [label_of(name) for name in usual if name not in held]
    more = [f"{held[name]} {plural_of(name)}" for name in held if held[name] > max(usual[name], 1)]
    more += [label_of(name) for name in held if name not in usual and held[name] == 1]
    return [f"{sign} {words.listed(what)}" for sign, what in (("without", missing), ("with", more)) if what]


def _limited_there(row: parts.Row, units: pl.DataFrame) -> bool:
    """Return whether something besides the components' own limits bounds the visits there."""
    own = units.filter(~pl.col("longest_by").is_in(_OF_THE_SITE))["longest_days"].min()
    return own is None or row["most_days"] < own - 0.5  # type: ignore[operator]


def how_often(low: float, high: float) -> str:
    """Return a range of call-outs a year as an owner counts them: a year's number, or years between two."""
    least, most = round(low), round(high)
    if high < _ONCE_IN_A_LIFETIME:
        return "hardly any call-outs"
    if low >= _ABOUT_ONE:
        return (
            words.counted(most, "call-out") + " a year"
            if least == most
            else f"{least} to {most} call-outs a year"
        )
    often = f"{most} a year" if high >= _ABOUT_ONE else f"one in {_years(high)}"
    if low < _ONCE_IN_A_LIFETIME:
        return f"no call-outs or up to {often}"
    if high >= _ABOUT_ONE:
        return f"a call-out in {_years(low)} to {often}"
    first, last = round(1 / high), round(1 / low)
    return f"a call-out in {_years(low)}" if first == last else f"a call-out in {first} to {_years(low)}"


def _years(rate: float) -> str:
    return words.counted(round(1 / rate), "year")


def _table(results: Results, names: Sequence[str]) -> Table:
    rows = []
    for name, row in zip(names, results.what_if_kinds.sort("kind").iter_rows(named=True), strict=True):
        near = words.week_number(row["near_low_days"]), words.week_number(row["near_high_days"])
        rows.append((
            tables.text(name),
            tables.number(words.whole(row["sites"]), row["sites"]),
            tables.number(words.whole(words.week_number(row["visit_interval_days"])),
                          row["visit_interval_days"] / WEEK),
            tables.text(f"{near[0]} to {near[1]}" if near[0] != near[1] else f"{near[0]}"),
            tables.number(words.amount(row["callouts_per_year"]), row["callouts_per_year"]),
            tables.number(words.money(row["cost_per_year"]), row["cost_per_year"]),
        ))  # fmt: skip
    columns = (
        Column("kind", "Kind of site"), Column("sites", "Sites", True),
        Column("weeks", "Weeks between visits", True), Column("near", "Weeks within 2 %"),
        Column("callouts_per_year", "Call-outs a year", True),
        Column("cost_per_year", f"Cost a year, {results.display.currency}", True),
    )  # fmt: skip
    return Table(
        "what-if-kinds", "Typical intervals by kind of site, a site and year", columns, tuple(rows),
        "No kind of site can be weighed yet.", "data/what-if.csv",
    )  # fmt: skip


def _data(results: Results, names: Sequence[str]) -> dict[str, Any]:
    """Return what the script needs: the tables, and in which terms the settings put them."""
    kinds = results.what_if_kinds.sort("kind")
    first, longest = int(kinds["first_week"][0]), float(kinds["longest_days"][0])
    rates: dict[tuple[int, str, str], list[parts.Row]] = {}
    for row in results.what_if_rates.sort("kind", "every_n").iter_rows(named=True):
        rates.setdefault((row["kind"], row["component"], row["slot"]), []).append(row)
    units: dict[int, list[dict[str, Any]]] = {}
    for row in results.what_if_units.iter_rows(named=True):
        own = rates[(row["kind"], row["component"], row["slot"])]
        units.setdefault(row["kind"], []).append(_unit(results, row, own, first))
    return {
        "first": first, "weeks": int(longest // WEEK) - first + 1, "longest": longest,
        "shortest": float(kinds["shortest_days"][0]), "near": NEAR_EQUAL, "year": DAYS_PER_YEAR,
        "plan": _plan_totals(results), "currency": results.display.currency, "tolerated": _tolerated(results),
        "kinds": [
            {"name": name, "sites": row["sites"], "most": row["most_days"], "share": row["trip_share"],
             "units": units[row["kind"]]}
            for name, row in zip(names, kinds.iter_rows(named=True), strict=True)
        ],
    }  # fmt: skip


def _plan_totals(results: Results) -> dict[str, float]:
    """Return the plan's trips, call-outs and cost a year, the same as the page of money tells."""
    totals = {row["measure"]: row["plan"] for row in results.totals.iter_rows(named=True)}
    names = {"trips": "trips_per_year", "callouts": "callouts_per_year", "cost": "cost_per_year"}
    return {
        short: float(totals[name] if name in totals else results.plans[name].sum())
        for short, name in names.items()
    }


def _unit(results: Results, row: parts.Row, rates: Sequence[parts.Row], first: int) -> dict[str, Any]:
    most = row["longest_days"]

    def within(values: Sequence[float], n: int) -> list[float]:
        # what no limit allows is left out of the page
        weeks = len(values) if most is None else max(int(most // (WEEK * n)) - first + 1, 0)
        return list(values[:weeks])

    return {
        "name": labels.component(row["component"], row["slot"]),
        "longest": most, "by": labels.LIMITS.get(row["longest_by"] or "", ""), "beyond": row["beyond_days"],
        "held": row["held"], "today": row["today_days"], "uv": row["of_uv_unit"],
        "limit": row["chance_limit"], "late": row["late_days"], "customary": row["customary_days"],
        "chances": row["chances"],
        "callouts": [within(rate["callouts"], rate["every_n"]) for rate in rates],
        "other": [within(rate["other_cost"], rate["every_n"]) for rate in rates],
    }  # fmt: skip
