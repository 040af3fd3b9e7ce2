"""Decisions in words, and where they stand in place of the bare word."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from fleetstats.components import KINDS
from fleetstats.pipeline import with_deciders
from fleetstats.report import Results
from fleetstats.report.pages import site
from fleetstats.report.pages.decided import decision_told, decisions_at
from fleetstats.report.pages.money import plan_table
from fleetstats.report.pages.why import why_table
from tests.report_fixture import AS_OF, display

COST = {
    "site_id": "a", "kind": "accepted", "max_days": 182.0, "source": None, "decided_on": date(2026, 5, 4),
    "visit_interval_days": 182.0, "visit_interval_days_without": 98.0, "cost_per_year_more": 90.0,
    "low": 50.0, "high": 140.0,
}  # fmt: skip
HELD = {
    "site_id": "a", "component": "carbon_cartridge", "slot": "", "interval_days": 182.0,
    "limited_by": "decision", "limit_source": None, "hard_limit_days": 350.0, "failure_chance": None,
    "failures": 3, "evidence": "own_records",
}  # fmt: skip
PLAN = {
    "site_id": "a", "visit_interval_days": 182.0, "visit_interval_days_current": 182.0, "cost_per_year": None,
    "cost_per_year_month_sooner": None, "cost_per_year_month_later": None, "visit_interval_days_closer": None,
    "cost_per_year_closer": None,
}  # fmt: skip


def test_a_decision_says_whose_of_which_day_and_on_what() -> None:
    assert decision_told(COST) == "your decision of 4 May 2026 to come every 26 weeks"
    trial = {**COST, "kind": "trial", "source": "after the new screen"}
    assert decision_told(trial) == (
        "your trial of 4 May 2026, a visit every 26 weeks (after the new screen)"
    )  # fmt: skip
    assert decision_told({**COST, "kind": "refused", "max_days": 273.0}) == (
        "your decision of 4 May 2026 not to come every 39 weeks"
    )
    assert decision_told({**COST, "kind": "refused", "max_days": None}).endswith("not to come as advised")


@pytest.mark.parametrize(
    ("by", "whose"),
    [("office", "your"), (None, "your"), ("Household", "the household's"), ("A. Person", "the")],
)
def test_a_decision_is_told_as_whose_it_was_and_never_by_a_name(by: str | None, whose: str) -> None:
    assert decision_told({**COST, "decided_by": by}).startswith(f"{whose} decision of 4 May 2026 to come")


def test_who_decided_stands_beside_what_a_decision_costs_and_not_beside_a_limit() -> None:
    limit = {**COST, "kind": "contract", "decided_on": None}
    costs = pl.DataFrame([limit, COST], schema_overrides={"decided_on": pl.Date}, infer_schema_length=None)
    decisions = pl.DataFrame({"site_id": ["a"], "decided_on": [date(2026, 5, 4)], "by": ["household"]})
    assert with_deciders(costs, decisions)["decided_by"].to_list() == [None, "household"]


def test_a_decision_in_force_is_told_alike() -> None:
    row = {"site_id": "a", "decision": "refused", "decided_on": date(2026, 5, 4),
           "decided_interval_days": 273.0, "decided_reason": "too long for them"}  # fmt: skip
    assert decision_told(row) == (
        "your decision of 4 May 2026 not to come every 39 weeks (too long for them)"
    )  # fmt: skip


def test_limits_and_blocked_months_are_no_decisions() -> None:
    assert decisions_at([{**COST, "kind": "contract", "decided_on": None}]) == {}


def test_visits_held_by_a_decision_name_it_on_the_site_page_the_list_and_among_the_reasons() -> None:
    frames = {
        "intervals": pl.DataFrame([HELD]), "plans": pl.DataFrame([PLAN]), "limit_costs": pl.DataFrame([COST]),
        "sites": pl.DataFrame({"site_id": ["a"]}),
    }  # fmt: skip
    found = Results(AS_OF, display(), **frames)
    table = plan_table(found)
    at = [column.name for column in table.columns].index("held_by")
    assert table.rows[0][at].shown == "Your decision of 4 May 2026 to come every 26 weeks"
    page = site.site_page(site.Ledger(found, found.sites), found.sites.row(0, named=True))
    assert page.units[0].why == "Your decision of 4 May 2026 to come every 26 weeks holds it there."
    why = why_table(
        components=KINDS,
        intervals=pl.DataFrame([HELD]).with_columns(spells=7), plans=pl.DataFrame([PLAN]),
        site_life=found.site_life, spells=found.spells.with_columns(end_condition=pl.lit("")),
        known_reasons=found.known_reasons, currency="USD", limit_costs=pl.DataFrame([COST]),
        levels=pl.DataFrame(schema={"component": pl.String}),
    )  # fmt: skip
    assert why["evidence"][0].startswith(
        "Visits every 26 weeks (today 26 weeks): your decision of 4 May 2026 to come every 26 weeks holds "
        "them there."
    )
