"""Money, trips and the plan of every site: today's rule beside the plan, seen apart from projected."""

import polars as pl

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import costs, parts, why_shown
from fleetstats.report.pages.decided import decisions_at
from fleetstats.report.pages.parts import Fact
from fleetstats.report.pages.practice import on_record
from fleetstats.report.pages.why import lead
from fleetstats.report.results import Results
from fleetstats.report.tables import Cell, Column, Table

_MEASURES = {
    "trips_per_year": "Planned trips a year",
    "callouts_per_year": "Call-outs a year",
    "cost_per_year": "Cost a year",
}
#: What stands in place of a saving at ages already seen that is none.
NONE_SEEN = "none"
#: Columns of the plan table that are left out where the records are too few for costs.
_OF_COST = (
    "callouts_today", "callouts_plan", "cost_today", "cost_plan", "saving_seen", "saving_projected",
)  # fmt: skip


def sums(results: Results) -> tuple[Table, str]:
    """Return the fleet's trips, call-outs and cost a year, today and planned, and what the ranges mean."""
    totals = {row["measure"]: row for row in results.totals.iter_rows(named=True)}
    told = "Ranges carry what is unknown about lives; where a range spans zero the saving is not settled."
    if not totals and results.plans.height:
        totals = _added_up(results.plans)
        told = "Ranges are the sites' own added up: the widest they can be, if all err the same way."
    told += f" {on_record(results, totals.get('callouts_per_year'))}"
    currency = results.display.currency
    few = costs.instead(results)
    if few:
        told = f"{few} {on_record(results, None)}"
    rows = []
    for measure, name in _MEASURES.items():
        row = totals.get(measure)
        if row is None or few:
            continue
        cash = measure == "cost_per_year"
        rows.append((
            tables.text(f"{name}, {currency}" if cash else name),
            _measured(row, "current", cash), _measured(row, "plan", cash),
            _change(row, totals.get("saving_per_year", {}) if cash else {}, cash),
        ))  # fmt: skip
    columns = (
        Column("measure", "All sites"), Column("today", "Under today's rule", True),
        Column("plan", "Under the plan", True), Column("change", "Change", True),
    )  # fmt: skip
    table = Table(
        "money", "Trips, call-outs and cost a year", columns, tuple(rows),
        "No costs to compare yet."
        if few
        else "No plan has been worked out yet, so there is nothing to compare.",
        "data/money.csv",
    )  # fmt: skip
    return table, told


def savings(results: Results) -> tuple[Fact, ...]:
    """Return the saving at ages already seen and the projected one, apart.

    Where nothing is saved at ages already seen that is said, and the projected part is told net of it.
    """
    totals = {row["measure"]: row for row in results.totals.iter_rows(named=True)}
    if costs.instead(results) or (not results.plans.height and not totals):
        return ()
    found = []
    for measure in ("saving_seen", "saving_projected"):
        row = totals.get(measure, {})
        found.append((row["plan"] if row else float(results.plans[measure].sum()), row))
    (seen, seen_row), (projected, projected_row) = found
    watched = "units here or at sites like it were watched that long"
    beyond = "rests on ages that no unit has been watched to yet"
    currency = results.display.currency
    if seen > 0:
        shown = [words.money(value, currency) for value in (seen, projected)]
        notes = [_ranged(seen_row, watched), _ranged(projected_row, beyond)]
    else:
        net = seen + projected
        shown = [NONE_SEEN, f"{words.money(abs(net), currency)}{'' if net >= 0 else ' more'}"]
        notes = [
            f"within the ages that {watched.replace('were watched that long', 'were watched to')}",
            f"{beyond}; net of what is lost at ages already seen"
            if net >= 0
            else "the plan costs more: limits hold it",
        ]
    names = ("saving a year, at ages already seen", "saving a year, projected")
    return tuple(Fact(*fact) for fact in zip(names, shown, notes, strict=True))


def savings_of_sites(results: Results) -> str:
    """Return how the two columns of savings are to be read."""
    if not results.plans.height or costs.instead(results):
        return f"{costs.TOO_FEW}." if costs.instead(results) else ""
    return (
        f"Savings stand apart: at ages already seen, and projected. Where it says '{NONE_SEEN}' the "
        "plan saves nothing at ages already seen, and the projected column tells what is left in all, a loss "
        "with a minus."
    )


def _ranged(row: parts.Row, note: str) -> str:
    spread = words.money_range(row.get("plan_low"), row.get("plan_high"))
    return f"range {spread}; {note}" if spread else note


def plan_table(results: Results) -> Table:
    """Return every site's plan, the largest changes of cost first; no costs where the records are too few."""
    names = parts.site_names(results.sites)
    held, why = _held_by(results), why_shown.of_visits(results)
    counts = {
        site: (spells, failures)
        for site, spells, failures in results.site_life.group_by("site_id", maintain_order=True)
        .agg(pl.col("spells").sum(), pl.col("failures").sum())
        .iter_rows()
    }
    change = pl.col("cost_per_year_current") - pl.col("cost_per_year")
    few = bool(costs.instead(results))
    ranked = (
        results.plans
        if few
        else results.plans.sort(change, descending=True, nulls_last=True, maintain_order=True)
    )
    rows = [_plan_row(row, names, held, why, counts) for row in ranked.iter_rows(named=True)]
    currency = results.display.currency
    columns = (
        Column("site", "Site"), Column("weeks_today", "Weeks today", True),
        Column("weeks_plan", "Weeks planned", True), Column("held_by", "Held there by"),
        Column("callouts_today", "Call-outs a year today", True),
        Column("callouts_plan", "Call-outs planned", True),
        Column("cost_today", f"Cost a year today, {currency}", True),
        Column("cost_plan", "Cost planned (range)", True),
        Column("saving_seen", "Saving, seen", True), Column("saving_projected", "Saving, projected", True),
        Column("fittings", "Fittings", True), Column("spent", "Spent", True),
        Column("why", "Why, and what would change it", long=True),
    )  # fmt: skip
    table = Table(
        "plans", "The plan for every site", columns, tuple(rows),
        "No plan has been worked out yet: the records are too few.", "data/plans.csv",
    )  # fmt: skip
    return tables.without(table, _OF_COST) if few else table


def _plan_row(
    row: parts.Row,
    names: dict[str, str],
    held: dict[str, str],
    why: dict[str, str],
    counts: dict[str, tuple[int, int]],
) -> tuple[Cell, ...]:
    site = row["site_id"]
    spells, failures = counts.get(site, (0, 0))
    today, plan = row["visit_interval_days_current"], row["visit_interval_days"]
    cost = words.money(row["cost_per_year"]) + words.in_brackets(words.money_range(row["low"], row["high"]))
    return (
        tables.text(names.get(site, site), parts.site_href(site)),
        tables.number(words.whole(words.week_number(today)), _in_weeks(today)),
        tables.number(words.whole(words.week_number(plan)), _in_weeks(plan)),
        tables.text(held.get(site, "")),
        tables.number(words.amount(row["callouts_per_year_current"]), row["callouts_per_year_current"]),
        tables.number(words.amount(row["callouts_per_year"]), row["callouts_per_year"]),
        tables.number(words.money(row["cost_per_year_current"]), row["cost_per_year_current"]),
        tables.number(cost, row["cost_per_year"]),
        *_savings_told(row["saving_seen"], row["saving_projected"]),
        tables.number(words.whole(spells), spells),
        tables.number(words.whole(failures), failures),
        tables.text(why.get(site, "no reason worked out")),
    )


def _savings_told(seen: float | None, projected: float | None) -> tuple[Cell, Cell]:
    """Return both savings of a site; where none is seen the other is told net (the CSV keeps both)."""
    if seen is None or projected is None or words.round_money(seen) > 0:
        return tables.number(words.money(seen), seen), tables.number(words.money(projected), projected)
    return tables.number(NONE_SEEN, seen), tables.number(words.money(seen + projected), projected)


def _in_weeks(days: float | None) -> float | None:
    number = words.week_number(days)
    return None if number is None else float(number)


def _held_by(results: Results) -> dict[str, str]:
    """What holds the interval of the component that sets the visits of each site."""
    found, decided = {}, decisions_at(results.limit_costs.iter_rows(named=True))
    for site, rows in parts.by_site(results.intervals).items():
        first = lead(rows)
        if first["limited_by"] == "decision" and site in decided:
            found[site] = words.sentence(decided[site])
            continue
        name = labels.component(first["component"], first["slot"])
        found[site] = f"{name}: {labels.limit(first['limited_by'], first['limit_source'])}"
    return found


def _added_up(plans: pl.DataFrame) -> dict[str, parts.Row]:
    added = {}
    for measure in _MEASURES:
        row: parts.Row = {"plan": plans[measure].sum(), "current": plans[f"{measure}_current"].sum()}
        if measure == "cost_per_year":
            row |= {
                "plan_low": plans["low"].sum(), "plan_high": plans["high"].sum(),
                "current_low": plans["low_current"].sum(), "current_high": plans["high_current"].sum(),
            }  # fmt: skip
        added[measure] = row
    return added


def _measured(row: parts.Row, which: str, cash: bool) -> Cell:
    value, low, high = row.get(which), row.get(f"{which}_low"), row.get(f"{which}_high")
    if cash:
        return tables.number(words.money(value) + words.in_brackets(words.money_range(low, high)), value)
    spread = f"{words.whole(low)} to {words.whole(high)}" if words.known(low) and words.known(high) else ""
    return tables.number(words.whole(value) + words.in_brackets(spread), value)


def _change(row: parts.Row, saving: parts.Row, cash: bool) -> Cell:
    """Plan less today, with its range where the saving's own is known."""
    plan, current = row.get("plan"), row.get("current")
    if plan is None or current is None:
        return tables.number(words.UNKNOWN, None)
    change = plan - current
    shown = words.money(abs(change)) if cash else words.whole(abs(change))
    sign = "" if shown == "0" else "−" if change < 0 else "+"
    low, high = saving.get("plan_low"), saving.get("plan_high")
    if low is None or high is None:
        return tables.number(f"{sign}{shown}", change)
    if low > 0:
        spread = f"{words.money_range(low, high)} less"
    elif high < 0:
        spread = f"{words.money_range(-high, -low)} more"
    else:
        spread = f"{words.money(-low)} more to {words.money(high)} less"
    return tables.number(f"{sign}{shown}{words.in_brackets(spread)}", change)
