"""What changed since the analysis before, and whether decided intervals paid."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest
from scipy.stats import binomtest

from fleetstats.advice.since import callout_ratio, decisions_paid, plan_changes

SINCE, AS_OF = date(2026, 1, 31), date(2026, 6, 30)


def intervals(*rows: tuple[str, str, int, int, str, int, int]) -> pl.DataFrame:
    names = [
        "site_id",
        "component",
        "visit_interval_days",
        "interval_days",
        "limited_by",
        "spells",
        "failures",
    ]
    return pl.DataFrame(rows, schema=names, orient="row").with_columns(
        slot=pl.lit(""), hard_limit_days=pl.lit(None, pl.Float64)
    )


def changed(before: pl.DataFrame, now: pl.DataFrame, **other: Any) -> list[tuple[object, ...]]:
    found = plan_changes(before=before, now=now, since=SINCE, other_settings=other.get("settings", False))
    return found.select("site_id", "component", "interval_before_days", "interval_days", "reason").rows()


BEFORE = intervals(
    ("A", "lamp", 140, 280, "rated_life", 4, 1), ("A", "filter", 140, 140, "cost", 8, 3),
    ("B", "filter", 182, 182, "cost", 5, 0),
)  # fmt: skip


def test_the_same_plan_is_no_change_nor_are_a_few_days() -> None:
    assert changed(BEFORE, BEFORE) == []
    assert changed(BEFORE, BEFORE.with_columns(pl.col("interval_days", "visit_interval_days") + 6)) == []


def test_each_change_has_its_reason() -> None:
    here = intervals(
        ("A", "lamp", 119, 238, "rated_life", 4, 1), ("A", "filter", 119, 119, "cost", 10, 4),
        ("B", "filter", 182, 182, "cost", 5, 0),
    )  # fmt: skip
    assert changed(BEFORE, here) == [
        ("A", None, 140.0, 119.0, "records_here"),
        ("A", "filter", 140.0, 119.0, "records_here"),
        ("A", "lamp", 280.0, 238.0, "records_elsewhere"),
    ]
    assert {row[4] for row in changed(BEFORE, here, settings=True)} == {"settings"}
    bound = intervals(("B", "filter", 119, 119, "site_limit", 6, 0))
    assert changed(BEFORE, bound) == [
        ("B", None, 182.0, 119.0, "limit"), ("B", "filter", 182.0, 119.0, "limit"),
    ]  # fmt: skip
    elsewhere = intervals(("B", "filter", 175, 175, "cost", 5, 0), ("C", "filter", 91, 91, "cost", 2, 2))
    assert [row[:2] + row[4:] for row in changed(BEFORE, elsewhere)] == [
        ("B", None, "records_elsewhere"), ("B", "filter", "records_elsewhere"),
    ]  # fmt: skip


def told(now: pl.DataFrame) -> list[tuple[object, ...]]:
    found = plan_changes(before=BEFORE, now=now, since=SINCE, other_settings=False)
    return found.select("component", "reason", "limited_by").rows()


def test_a_limit_that_binds_anew_is_named_at_the_visits_it_brings_forward() -> None:
    """The lamp's 240 days allow no visits a week further apart than 119; the filter's 200 would."""
    now = intervals(
        ("A", "lamp", 119, 238, "site_limit", 4, 1), ("A", "filter", 119, 119, "failed_sample", 8, 3),
    )  # fmt: skip
    limits = pl.Series([240.0, 200.0])
    assert told(now.with_columns(hard_limit_days=limits)) == [
        (None, "limit", "site_limit"),
        ("filter", "limit", "failed_sample"),
        ("lamp", "limit", "site_limit"),
    ]


def test_what_became_longer_is_no_longer_held_or_has_other_records() -> None:
    now = intervals(("A", "lamp", 161, 322, "cost", 4, 1), ("A", "filter", 161, 161, "ceiling", 8, 3))
    assert told(now) == [
        (None, "records_elsewhere", "ceiling"),
        ("filter", "records_elsewhere", "ceiling"),
        ("lamp", "freed", "rated_life"),
    ]


@pytest.mark.parametrize(("before", "after"), [(11, 3), (4, 4), (0, 5), (6, 0), (1, 30)])
def test_the_ratio_of_two_rates_against_the_exact_binomial_interval(before: int, after: int) -> None:
    # scipy's own Clopper-Pearson interval of the share of call-outs that fell after the decision
    days_before, days_after = 730.0, 400.0
    ratio, low, high = callout_ratio(before, days_before, after, days_after)
    share = binomtest(after, before + after).proportion_ci(0.90, method="exact")
    scale = days_before / days_after
    assert low == pytest.approx(share.low / (1 - share.low) * scale)
    assert high == (None if before == 0 else pytest.approx(share.high / (1 - share.high) * scale))
    assert ratio == (None if before == 0 else pytest.approx(after / before * scale))


def test_without_call_outs_or_time_nothing_is_said_of_the_ratio() -> None:
    assert callout_ratio(0, 700, 0, 300) == (None, None, None)
    assert callout_ratio(3, 700, 0, 0) == (None, None, None)


def paid(
    callouts: list[int],
    planned: list[int],
    decided: int,
    *,
    end: int = 1_000,
    last: int = 1_000,
    interval: int = 119,
) -> dict[str, Any]:
    """One site, seen first on day 0; days of its call-outs and planned visits; a decision; the as-of day.

    On day `last` another site is visited: the last visit on record.
    """
    first = date(2023, 1, 1)
    days = [
        (0, "commission"),
        *((day, "callout") for day in callouts),
        *((day, "routine") for day in planned),
    ]
    other = [("B", first + timedelta(days=last), "routine")] if last <= end else []
    visits = pl.DataFrame(
        [("A", first + timedelta(days=day), why) for day, why in days] + other,
        schema=["site_id", "visit_date", "visit_reason"], orient="row",
    )  # fmt: skip
    decisions = pl.DataFrame(
        [
            ("A", first + timedelta(days=decided - 200), "refused", 91),
            ("A", first + timedelta(days=decided), "accepted", interval),
        ],
        schema=["site_id", "decided_on", "decision", "visit_interval_days"], orient="row",
    )  # fmt: skip
    found = decisions_paid(
        decisions=decisions, visits=visits, as_of=first + timedelta(days=end), trip_cost=100.0,
        callout_cost=300.0,
    )  # fmt: skip
    assert found.height == 1
    return found.row(0, named=True)


def test_more_trips_that_end_most_call_outs_have_paid() -> None:
    row = paid(list(range(30, 600, 50)), [180, 360, 540, *range(700, 1000, 60)], 600, interval=63)
    assert (row["callouts_before"], row["visits_before"], row["days_before"]) == (12, 3, 600)
    assert (row["callouts_after"], row["visits_after"], row["days_after"]) == (0, 5, 400)
    assert row["cost_per_year_before"] == pytest.approx((3 * 100 + 12 * 300) * 365.25 / 600, rel=1e-3)
    assert row["cost_per_year_after"] == pytest.approx(5 * 100 * 365.25 / 400, rel=1e-3)
    assert row["ratio_high"] < 1
    assert row["verdict"] == "paid"


def test_little_time_or_few_call_outs_are_too_early_to_say() -> None:
    soon = paid(list(range(30, 600, 50)), [180, 360, 540], 900)
    assert soon["verdict"] == "too_early"
    few = paid([300], [180, 360, 540, *range(700, 1000, 60)], 600, interval=63)
    assert few["verdict"] == "too_early"


def test_call_outs_that_clearly_rose_have_not_paid() -> None:
    rose = paid([300, *range(620, 1000, 40)], [180, 360, 540, 720, 840, 960], 600)
    assert rose["ratio_low"] > 1
    assert rose["verdict"] == "did_not_pay"


def test_without_planned_visits_after_there_is_no_verdict_and_no_cost() -> None:
    nobody_since = paid([60, 120, 300], [180, 360, 540], 600)
    assert (nobody_since["visits_after"], nobody_since["verdict"]) == (0, "too_early")
    assert nobody_since["cost_per_year_after"] is None
    called_only = paid([300, *range(620, 1000, 40)], [180, 360, 540], 600)
    assert called_only["verdict"] == "too_early"


def test_time_after_the_last_visit_on_record_is_not_free_of_call_outs() -> None:
    callouts, planned = list(range(30, 600, 50)), [180, 360, 540, 660, 720]
    row = paid(callouts, planned, 600, end=1_400, last=740, interval=63)
    assert row["days_after"] == 140
    assert row["verdict"] == "too_early"
    # seen on, with visits kept up elsewhere alone: no visit here is a visit left out
    seen_on = paid(callouts, planned, 600, end=1_400, last=1_400, interval=63)
    assert (seen_on["days_after"], seen_on["verdict"]) == (800, "not_practised")


@pytest.mark.parametrize(
    ("planned", "apart", "practised"),
    [
        ([700, 820, 940], 120.0, True),
        ([700, 872, 990], 145.0, True),
        ([690, 862], 155.0, True),  # 172 days, and 138 to the end, longer than decided: 1.30 times 119
        ([700, 885], 185.0, False),  # 1.55 times
        ([650, 735, 820, 905], 85.0, True),  # 0.71 times
        ([650, 725, 800, 875, 950], 75.0, False),  # 0.63 times
        ([719, 950], 231.0, False),
        ([650], 350.0, False),  # then nobody for 350 days
        ([881], 281.0, False),  # nobody for 281 days after the decision; the last 119 may yet be as decided
    ],
)
def test_a_decision_that_visits_did_not_keep_to_is_not_judged(
    planned: list[int], apart: float, practised: bool
) -> None:
    row = paid(list(range(30, 600, 50)), [180, 360, 540, *planned], 600)
    assert row["days_between_after"] == pytest.approx(apart)
    assert (row["verdict"] != "not_practised") == practised


def test_no_decision_no_row() -> None:
    nothing = pl.DataFrame(
        schema={
            "site_id": pl.String,
            "decided_on": pl.Date,
            "decision": pl.String,
            "visit_interval_days": pl.Int64,
        }
    )
    visits = pl.DataFrame(schema={"site_id": pl.String, "visit_date": pl.Date, "visit_reason": pl.String})
    found = decisions_paid(decisions=nothing, visits=visits, as_of=AS_OF, trip_cost=1.0, callout_cost=1.0)
    assert found.is_empty()
