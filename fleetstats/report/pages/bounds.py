"""What agreed limits, decisions and months without planned visits cost a year: the owner's table of them."""

from __future__ import annotations

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Row
from fleetstats.report.pages.why import limit_cost
from fleetstats.report.results import Results
from fleetstats.report.tables import Column, Table

_DECIDED = {"accepted": "accepted", "refused": "refused", "trial": "on trial"}


def bounds_table(results: Results) -> Table:
    """Return every limit, decision and set of blocked months with what it costs a year, dearest first."""
    names, currency = parts.site_names(results.sites), results.display.currency
    rows = []
    for row in results.limit_costs.iter_rows(named=True):
        site = row["site_id"]
        plan, free = row["visit_interval_days"], row["visit_interval_days_without"]
        told = limit_cost(row, currency)
        rows.append((
            tables.text(names.get(site, site), parts.site_href(site)), tables.text(_bound(row)),
            tables.text(row["source"] or "not on record"),
            tables.number(words.whole(words.week_number(plan)), plan),
            tables.number(words.whole(words.week_number(free)), free),
            tables.Cell(told, row["cost_per_year_more"]),
        ))  # fmt: skip
    columns = (
        Column("site", "Site"), Column("held_by", "Limit or decision"), Column("source", "Where it stands"),
        Column("visit_interval_days", "Weeks planned", True),
        Column("visit_interval_days_without", "Weeks without it", True),
        Column("cost_per_year_more", "What it costs", long=True),
    )  # fmt: skip
    return Table(
        "limit-costs", "What limits and decisions cost", columns, tuple(rows),
        "No limit is agreed for a site, no decision is on record, and visits are planned in every month.",
        "data/limit-costs.csv",
    )  # fmt: skip


def _bound(row: Row) -> str:
    if row["kind"] == "blocked_months":
        return "months without planned visits"
    weeks = words.weeks(row["max_days"])
    if row["decided_on"] is None:
        return f"{labels.plain(row['kind'])}: at most {words.whole(row['max_days'])} days"
    how = _DECIDED.get(row["kind"], labels.plain(row["kind"]))
    interval = "" if row["max_days"] is None else f"{weeks} "
    return f"{interval}{how} on {words.day(row['decided_on'])}"
