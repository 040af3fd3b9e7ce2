"""No visit of those firms comes past a limit: due lists, calendars, and two years lived through week by week.

The firms are those of `test_plans_by_the_thousand`, with their absurd settings; blocked months, absences and
call-outs at random ages come on top. Ages are held against the limits as they are written in the records.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import calendar, due_list
from tests.properties.test_plans_by_the_thousand import AS_OF, Batch, batch, bounds, everyday, plan

pytestmark = pytest.mark.slow
KEY = ["site_id", "component"]
WEEK = pl.lit(7.0)


def around(
    seed: int, case: Batch, longest_ago: int = 500
) -> tuple[pl.DataFrame, dict[str, frozenset[int]], pl.DataFrame]:
    """Last visits, blocked months at half of the sites, and absences at homes lived in part of the year."""
    rng = np.random.default_rng(90_000 + seed)
    names = case.sites["site_id"].to_list()
    visits = pl.DataFrame({
        "site_id": names, "visit_reason": rng.choice(["routine", "callout"], len(names)).tolist(),
        "visit_date": [AS_OF - timedelta(days=int(ago)) for ago in rng.integers(0, longest_ago, len(names))],
    })  # fmt: skip
    blocked = {
        name: frozenset((rng.choice(12, int(rng.integers(1, 6)), replace=False) + 1).tolist())
        for name in names[::2]
    }
    away = [(name, "vacant", AS_OF - timedelta(days=400), AS_OF + timedelta(days=int(rng.integers(-150, 200))))
            for name in names[::3]]  # fmt: skip
    changes = pl.DataFrame(away, schema=["site_id", "kind", "changed_on", "until"], orient="row")
    case.sites = case.sites.with_columns(
        occupancy=pl.Series(rng.choice(["seasonal", "all_year"], len(names)).tolist())
    )
    return visits, blocked, changes


def due_of(
    case: Batch, intervals: pl.DataFrame, visits: pl.DataFrame, as_of: date = AS_OF, **more: Any
) -> pl.DataFrame:
    return due_list(
        sites=case.sites, units=case.units, visits=visits, intervals=intervals, lives={},
        components=case.kinds, as_of=as_of, lateness_days=case.terms.lateness_days, **more,
    )  # fmt: skip


def days(day: str) -> pl.Expr:
    return (pl.col(day) - pl.lit(AS_OF)).dt.total_days()


def with_bounds(
    case: Batch, due: pl.DataFrame, intervals: pl.DataFrame, visits: pl.DataFrame
) -> pl.DataFrame:
    """The due list with the days from as-of by which limits want each visit, of the whole address, >= 0."""
    facts = case.units.select(*KEY, "fitted_on", "spent_seen")
    rows = (
        due.join(bounds(case), on=KEY).join(facts, on=KEY)
        .join(intervals.select(*KEY, "visit_interval_days"), on=KEY)
        .join(visits.select("site_id", last="visit_date"), on="site_id")
    )  # fmt: skip
    fitted = pl.when(~pl.col("removed")).then(days("fitted_on"))
    late = case.terms.lateness_days
    ends = pl.min_horizontal(
        fitted + pl.max_horizontal("oldest", WEEK), days("last") + pl.max_horizontal("gap", WEEK)
    )
    begins = pl.min_horizontal(
        fitted + pl.max_horizontal("longest", WEEK),
        days("last") + pl.max_horizontal(pl.col("gap") - late, WEEK),
    )
    return rows.with_columns(
        ends=ends.min().over("address").fill_null(np.inf).clip(0.0),
        begins=begins.min().over("address").fill_null(np.inf).clip(0.0),
        at=fitted,
    )


@pytest.mark.parametrize("block", range(4))
def test_no_due_date_of_a_thousand_firms_is_past_a_limit(block: int) -> None:
    """Booked from within limits net of lateness, no later than within them as written; what stays is in time."""
    moved = 0
    for seed in range(block, 100, 4):
        case = everyday(seed) if seed % 3 else batch(seed)
        found = plan(case, seed)
        visits, blocked, changes = around(seed, case, 160 if seed % 3 else 500)
        due = due_of(case, found.intervals, visits, changes=changes, blocked_months=blocked)
        rows = with_bounds(case, due, found.intervals, visits)
        wrong = rows.filter(
            (pl.col("visit_from") < AS_OF)
            | (pl.col("visit_by") < pl.col("visit_from"))
            | (days("visit_from") > pl.col("begins"))
            | (days("visit_by") > pl.max_horizontal("ends", days("visit_from")))
        )
        assert wrong.is_empty(), (seed, wrong)
        stays = rows.filter(~pl.col("removed"), pl.col("action") == "inspect")
        past = days("visit_from") - pl.col("at") + pl.col("visit_interval_days")
        old = stays.filter(past > pl.max_horizontal("longest", WEEK))
        assert old.is_empty(), (seed, old)
        moved += rows["moved"].drop_nulls().len()
    assert moved > 100


def test_no_trip_of_those_firms_is_made_to_renew_nothing_unless_an_agreed_time_asks_for_it() -> None:
    """Without work a visit is on the last day of an agreed time, or where the first unit reaches its interval."""
    asked = waiting = 0
    for seed in range(500, 560):
        case = everyday(seed)
        found = plan(case, seed)
        visits, _, _ = around(seed, case, 160)
        due = due_of(case, found.intervals, visits)
        rows = with_bounds(case, due, found.intervals, visits).join(
            found.intervals.select(*KEY, "interval_days"), on=KEY
        )
        there = rows.filter(~pl.col("removed")).with_columns(
            idle=(pl.col("action") == "inspect").all().over("address"),
            reached=(pl.col("at") + pl.col("interval_days")).min().over("address"),
            calm=(pl.col("urgency") == 2).all().over("address"),
        )
        idle = there.filter("idle", "calm")
        wrong = idle.filter(days("visit_from") < pl.min_horizontal("reached", pl.col("begins").floor()))
        assert wrong.is_empty(), (seed, wrong)
        asked += idle.height
        waiting += there.filter(pl.col("moved") == "nothing_due").height
    assert asked > 20
    assert waiting > 40


def test_urgent_sites_are_seen_to_at_once() -> None:
    urgent = 0
    for seed in range(200, 225):
        case = batch(seed)
        found = plan(case, seed)
        visits, blocked, changes = around(seed, case)
        due = due_of(case, found.intervals, visits, changes=changes, blocked_months=blocked)
        lamp = pl.col("component").str.starts_with("uv_lamp") & ~pl.col("removed")
        doubtful = lamp & (pl.col("fitted_on").is_null() | (-days("fitted_on") > pl.col("oldest")))
        now = (case.units.join(bounds(case), on=KEY).filter(doubtful)["site_id"].to_list()
               + case.sites.filter(pl.col("failed_sample_open") | pl.col("open_alarm"))["site_id"].to_list())  # fmt: skip
        rows = due.filter(pl.col("site_id").is_in(now))
        assert (rows["visit_by"] == AS_OF).all(), (seed, rows.filter(pl.col("visit_by") != AS_OF))
        urgent += rows.height
    assert urgent > 1000


def test_no_visit_of_a_calendar_is_past_the_limits_of_what_the_visit_before_left_in_place() -> None:
    later = pulled = 0
    for seed in range(300, 324):
        case = everyday(seed)
        found = plan(case, seed)
        visits, blocked, changes = around(seed, case, 160)
        due = due_of(case, found.intervals, visits, changes=changes, blocked_months=blocked)
        weeks = calendar(
            due=due, sites=case.sites, intervals=found.intervals, as_of=AS_OF, blocked_months=blocked,
            lateness_days=case.terms.lateness_days, stops_per_week=None if seed % 4 else 3.0,
        )  # fmt: skip
        on = pl.max_horizontal(
            "week", pl.when(pl.col("book_from") < pl.col("week") + timedelta(days=7)).then("book_from")
        )
        first = weeks.filter(pl.col("visit") == 1).select("site_id", on=on)
        second = weeks.filter(pl.col("visit") == 2).select("site_id", "book_from", "no_later_than")
        rows = (
            with_bounds(case, due, found.intervals, visits)
            .join(first, on="site_id")
            .join(second, on="site_id")
        )
        stays = rows.filter(~pl.col("removed"), pl.col("action") == "inspect")
        end = pl.max_horizontal(
            pl.col("at") + pl.col("oldest"),
            days("on") + 7.0,
            days("on") + pl.col("visit_interval_days").clip(None, 7),
        )
        wrong = stays.filter(days("no_later_than") > pl.max_horizontal(end, days("book_from")))
        assert wrong.is_empty(), (seed, wrong)
        late = stays.filter(days("book_from") > pl.max_horizontal(end, days("on") + 7.0))
        assert late.is_empty(), (seed, late)
        later += stays.height
        pulled += stays.filter(days("book_from") < days("on") + pl.col("visit_interval_days")).height
    assert later > 500
    assert pulled > 20


@pytest.mark.parametrize("seed", [400, 401])
def test_two_years_of_late_visits_and_call_outs_carry_no_unit_past_its_written_limit(seed: int) -> None:
    """Sixty firms week by week: some come as early, some as late as told; call-outs renew at random ages."""
    case = everyday(seed, 60)
    case = replace(case, units=case.units.with_columns(removed=False, fitted_on=pl.lit(AS_OF)))
    found, rng = plan(case, seed), np.random.default_rng(seed)
    _, blocked, changes = around(seed, case, 1)
    key = case.units.select(*KEY)
    rows = key.join(bounds(case), on=KEY, maintain_order="left")
    # visits by the week that come late cannot keep less
    least = case.terms.lateness_days + 14
    oldest, gap = (rows[name].clip(least).to_numpy() for name in ("oldest", "gap"))
    site = rows["site_id"].rank("dense").to_numpy() - 1
    # each address is one stop: all of it is visited on one day
    stop = rows["address"].rank("dense").to_numpy() - 1
    first, count = np.unique(stop, return_index=True)[1], int(stop.max()) + 1
    late_ones, fitted = rng.random(count) < 0.5, np.zeros(len(rows), dtype=np.int64)
    last, renewed = np.zeros(count, dtype=np.int64), 0
    for week in range(104):
        as_of = AS_OF + timedelta(days=7 * week)
        now = case.sites.select("site_id", visit_reason=pl.lit("routine")).join(
            pl.DataFrame({"site_id": rows["site_id"], "ago": last[stop]}).unique(), on="site_id"
        ).with_columns(visit_date=pl.lit(AS_OF) + pl.duration(days="ago"))  # fmt: skip
        case.units = case.units.with_columns(fitted_on=pl.lit(AS_OF) + pl.duration(days=pl.Series(fitted)))
        due = due_of(case, found.intervals, now, as_of, changes=changes, blocked_months=blocked)
        due = key.join(due, on=KEY, maintain_order="left")
        begins, ends = ((due[name] - AS_OF).dt.total_days().to_numpy() for name in ("visit_from", "visit_by"))
        day = np.where(
            late_ones[stop], ends, begins + ((ends - begins) * rng.random(count)[stop]).astype(int)
        )
        coming = (day < 7 * (week + 1))[first][stop] & (day == day[first][stop])
        assert (coming == coming[first][stop]).all()
        age, since = day - fitted, day - last[stop]
        assert (age[coming] <= oldest[coming]).all(), (
            seed,
            week,
            rows.filter(pl.Series(coming & (age > oldest))),
        )
        assert (since[coming] <= gap[coming]).all(), (seed, week)
        done = coming & (due["action"] != "inspect").to_numpy()
        called = ~coming & (rng.random(len(rows)) < 0.01)
        fitted = np.where(done, day, np.where(called, 7 * week + 3, fitted))
        last[stop[coming]] = day[coming]
        renewed += int(done.sum())
    assert renewed > 300 * 3 * 2
    assert (np.bincount(site) == 3).all()
