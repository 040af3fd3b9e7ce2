"""The owner's section on decided intervals: each verdict in words, and costs only where they are known."""

from __future__ import annotations

from datetime import date

import polars as pl

from fleetstats.report.pages.since import since_last
from tests.report_fixture import invent

BEFORE = {"days_before": 700, "callouts_before": 3, "visits_before": 4, "cost_per_year_before": 800.0}


def decided(**more: object) -> dict[str, object]:
    return {
        "decided_on": date(2025, 1, 10), "decision": "accepted", "visit_interval_days": 119.0, **BEFORE,
        "days_after": 400, "callouts_after": 0, "callout_ratio": None, "ratio_low": None, "ratio_high": None,
        **more,
    }  # fmt: skip


def test_a_decision_that_was_not_practised_is_told_with_what_was_done_instead() -> None:
    results = invent(3)
    sites = results.sites["site_id"].to_list()
    rows = [
        decided(site_id=sites[0], visits_after=2, cost_per_year_after=300.0, days_between_after=200.0,
                verdict="not_practised"),
        decided(site_id=sites[1], visits_after=0, cost_per_year_after=None, days_between_after=None,
                verdict="too_early"),
        decided(site_id=sites[2], visits_after=3, cost_per_year_after=500.0, days_between_after=120.0,
                verdict="paid"),
    ]  # fmt: skip
    told = since_last(results.replaced(decisions_paid=pl.DataFrame(rows)))
    shown = [row[-1].shown for row in told.paid.rows]
    assert shown == ["not practised: visits came every 29 weeks", "too early to say", "paid"]
    assert told.paid.rows[1][-2].shown == "no planned visit yet"
    assert "Of 3 decisions: 1 paid, 1 not practised and 1 too early to say" in told.paid_told
    assert "the last visit on record in the fleet" in told.paid_told
