"""The owner's page: check us first, what cannot wait, where the call-outs come from, intervals, money."""

from dataclasses import dataclass

import polars as pl

from fleetstats.components import plural_of
from fleetstats.report import figures, labels, tables, words
from fleetstats.report.figures import Figure
from fleetstats.report.pages import bounds, costs, money, parts, weeks
from fleetstats.report.pages.bounds import Bounds
from fleetstats.report.pages.cannot_wait import Waiting, cannot_wait
from fleetstats.report.pages.parts import Fact, Head
from fleetstats.report.pages.practice import practised
from fleetstats.report.pages.reading_worth import ReadingWorth, reading_worth
from fleetstats.report.pages.since import SinceLast, since_last
from fleetstats.report.pages.what_if import WhatIf, what_if
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table

#: An interval within this of today's counts as about right.
ABOUT_RIGHT_DAYS = 14.0
MOST_CALLED = 12
#: With fewer fittings of its own in the estimate a site is told by sites like it, and counts as not settled.
FITTINGS_TO_SETTLE = 4


@dataclass(frozen=True, slots=True)
class Share:
    """How many sites a verdict holds for; `noun` goes with the value: "1 site", "12 sites"."""

    name: str
    value: str
    noun: str
    note: str


@dataclass(frozen=True, slots=True)
class OwnerPage:
    """What the owner's page shows."""

    head: Head
    counts: Table
    set_aside: str
    waiting: Waiting
    called: Table
    called_told: str
    costs_told: bool
    verdict_told: str
    verdict: tuple[Share, ...]
    intervals: Figure | None
    money: Table
    money_told: str
    practice_told: str
    savings: tuple[Fact, ...]
    limits: Bounds
    load_told: str
    what_if: WhatIf
    reading: ReadingWorth
    since: SinceLast
    plans: Table
    plans_told: str


def owner_page(results: Results) -> OwnerPage:
    """Return the owner's page."""
    called, called_told = _most_called(results)
    verdict, verdict_told = _verdict(results)
    sums, sums_told = money.sums(results)
    return OwnerPage(
        head=parts.head(results, "For the owner", "owner"),
        counts=_counts(results),
        set_aside=_set_aside(results),
        waiting=cannot_wait(results),
        called=called,
        called_told=called_told,
        costs_told=not costs.instead(results),
        verdict_told=verdict_told,
        verdict=verdict,
        intervals=figures.visit_intervals(
            "visit-intervals", "Sites by their weeks between visits, planned and today", results.plans
        ),
        money=sums,
        money_told=sums_told,
        practice_told="" if costs.instead(results) else practised(results),
        savings=money.savings(results),
        limits=bounds.bounds(results),
        load_told=weeks.load_told(results),
        what_if=what_if(results),
        reading=reading_worth(results),
        since=since_last(results),
        plans=money.plan_table(results),
        plans_told=money.savings_of_sites(results),
    )


def _counts(results: Results) -> Table:
    frame = results.fleet_counts.sort("year")
    order = {name: place for place, name in enumerate(results.display.components)}
    named = {"year": "Year", "sites": "Sites visited", "visits": "Visits", "callouts": "Call-outs"}
    parts_named = {
        name: f"{words.sentence(plural_of(name))} renewed"
        for name in sorted(frame.columns, key=lambda name: (order.get(name, len(order)), name))
        if name not in (*named, "lamps_past_rating")
    }
    columns = {**named, **parts_named, "lamps_past_rating": "Lamps past rating"}
    rows = [
        tuple(
            tables.number(str(row[name]) if name == "year" else words.whole(row[name]), row[name])
            for name in columns
        )
        for row in frame.iter_rows(named=True)
    ]
    return Table(
        "fleet-counts", "What the records say, by year",
        tuple(Column(name, heading, name != "year") for name, heading in columns.items()),
        tuple(rows), "No visits are loaded yet.", "data/fleet-counts.csv",
    )  # fmt: skip


def _set_aside(results: Results) -> str:
    """Return how many records count and how many are set aside, each once however often it was loaded."""
    held = dict(results.records_held.select("table_name", "records").iter_rows())
    told = [words.counted(held[name], *nouns) for name, nouns in labels.RECORDS.items() if held.get(name)]
    values = results.refused.filter(pl.col("kind") == "value").height
    rows = results.refused.height - values
    if not results.loads.height and not told and not rows + values:
        return "No loads are on record."
    aside = f"{words.counted(rows, 'row')} and {words.counted(values, 'single value')}"
    aside = f"Set aside from your files: {aside}."
    if not told:
        return aside
    return f"On record, each once however often it was loaded: {words.listed(told)}. {aside}"


def _most_called(results: Results) -> tuple[Table, str]:
    ranked = results.sites.filter(pl.col("callouts").fill_null(0) > 0).sort(
        ["callouts", "site_id"], descending=[True, False]
    )
    total = int(ranked["callouts"].sum())
    half = ranked.filter(pl.col("callouts").cum_sum() - pl.col("callouts") < total / 2)
    worth = {row["site_id"]: row for row in results.fixes.iter_rows(named=True)}
    planned = {row["site_id"]: row for row in results.plans.iter_rows(named=True)}
    names, currency = parts.site_names(results.sites), results.display.currency
    rows = [
        _called_row(row, worth.get(row["site_id"]), planned.get(row["site_id"]), names)
        for row in half.head(MOST_CALLED).iter_rows(named=True)
    ]
    columns = (
        Column("site", "Site"), Column("callouts", "Call-outs on record", True),
        Column("cost_per_year", f"Cost a year under the plan, {currency}", True),
        Column("cost_per_year_like", "If it lasted like sites like it", True),
        Column("worth_per_year", "Most a fix is worth, a year", True),
    )  # fmt: skip
    table = Table(
        "most-called", "Sites with most call-outs", columns, tuple(rows),
        "No call-outs are on record.", "data/most-called.csv",
    )  # fmt: skip
    if costs.instead(results):
        table = tables.without(table, ("cost_per_year", "cost_per_year_like", "worth_per_year"))
    if not total:
        return table, "No call-outs are on record."
    own = int(half["callouts"].sum())
    told = (
        f"{half.height} of {words.counted(results.sites.height, 'site')} made {words.whole(own)} of "
        f"{words.counted(total, 'call-out')}."
    )
    return table, told if half.height <= MOST_CALLED else f"{told} The {MOST_CALLED} with most are listed."


def _called_row(
    row: parts.Row, fix: parts.Row | None, plan: parts.Row | None, names: dict[str, str]
) -> tuple[tables.Cell, ...]:
    site, cost = row["site_id"], (fix or plan or {}).get("cost_per_year")
    if plan is None and fix is None:
        why = "not served any more" if row["served"] is False else "no plan worked out"
    elif fix is None:
        why = "fewer expected than elsewhere"
    elif not fix["worth_per_year"] or fix["worth_per_year"] <= 0:
        why = "no fix worth it: sites like it cost as much"
    else:
        why = words.money(fix["worth_per_year"]) + words.in_brackets(
            words.money_range(fix["worth_low"], fix["worth_high"])
        )
    like = fix["cost_per_year_like"] if fix else None
    return (
        tables.text(names[site], parts.site_href(site)),
        tables.number(words.whole(row["callouts"]), row["callouts"]),
        tables.number("–" if cost is None else words.money(cost), cost),
        tables.number("–" if like is None else words.money(like), like),
        tables.number(why, fix["worth_per_year"] if fix else None),
    )


def _verdict(results: Results) -> tuple[tuple[Share, ...], str]:
    plans = results.plans.drop_nulls(["visit_interval_days", "visit_interval_days_current"])
    if plans.height == 0:
        return (), "No plan has been worked out yet: the records are too few."
    unsettled = _unsettled(results)
    settled = plans.filter(~pl.col("site_id").is_in(unsettled))
    change = pl.col("visit_interval_days") - pl.col("visit_interval_days_current")
    sooner = settled.filter(change < -ABOUT_RIGHT_DAYS)
    later = settled.filter(change > ABOUT_RIGHT_DAYS)
    today = plans["visit_interval_days_current"].mode().sort()[0]
    facts = (
        _share("about right", settled.height - sooner.height - later.height, "within two weeks of today's"),
        _share("too long", sooner.height, _why_sooner(results, sooner)),
        _share("too short", later.height, "the plan comes later"),
        _share("not settled yet", plans.height - settled.height, "too few records there"),
    )
    return facts, f"Today's interval between visits, {words.weeks(today)} at most sites, against the plan:"


def _share(name: str, count: int, note: str) -> Share:
    return Share(name, words.whole(count), "site" if count == 1 else "sites", note)


def _why_sooner(results: Results, sooner: pl.DataFrame) -> str:
    """At how many of the sites call-outs, and at how many a limit, bring the plan's visits forward."""
    shortest = results.intervals.sort("interval_days", maintain_order=True).group_by("site_id").first()
    binding = sooner.join(shortest, on="site_id", how="inner")["limited_by"].fill_null("cost")
    cost = int(binding.is_in(["cost", "failure_chance", "cannot_be_met", "shortest_visit"]).sum())
    if not binding.len():
        return "the plan comes sooner"
    return f"{cost} because parts are spent before, {binding.len() - cost} because a limit holds"


def _unsettled(results: Results) -> list[str]:
    custom = (pl.col("evidence").fill_null("customary") == "customary") | (
        pl.col("limited_by").fill_null("") == "few_records"
    )
    few = pl.col("spells").fill_null(0).sum() < FITTINGS_TO_SETTLE
    frame = results.intervals.group_by("site_id", maintain_order=True).agg(open=custom.all() | few)
    return frame.filter("open")["site_id"].to_list()
