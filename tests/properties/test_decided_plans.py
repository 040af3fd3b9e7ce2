"""What holds of plans whatever was decided, blocked, staffed, learned or priced: hard limits, pins, few records.

Random fleets, settings, decisions, blocked months and crews, from fixed seeds; `test_plans_by_the_thousand` has
more of them. What the plans cost is drawn at random too, in place of the prices worked out from lives.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import VisitPlans, calendar, due_list, plan_visits, weekly_load
from tests.properties.any_prices import AnyPrices
from tests.properties.test_advice import AS_OF, Case, lamp_rating, random_case, site_limit

pytestmark = pytest.mark.slow
FLEETS = 100


UV_UNIT = ("uv_lamp", "quartz_sleeve")


@pytest.fixture
def uv_within() -> float:
    """How long a lamp or sleeve stays within its tolerated chance of being spent, days."""
    return math.inf


@pytest.fixture(autouse=True)
def any_prices(monkeypatch: pytest.MonkeyPatch, uv_within: float) -> None:
    def price(*, units: pl.DataFrame, weeks: np.ndarray, **_: Any) -> dict[str, AnyPrices]:
        return {
            name: AnyPrices(weeks, np.random.default_rng(len(name)), uv_within if name in UV_UNIT else None)
            for name in sorted(set(units["component"]))
        }

    monkeypatch.setattr("fleetstats.advice.visits.price_components", price)


def decided(seed: int, case: Case) -> pl.DataFrame:
    """Decisions at most sites, some with several; any days above 0, absurd ones among them."""
    rng = np.random.default_rng(1000 + seed)
    rows = []
    for site in case.sites["site_id"]:
        for _ in range(int(rng.integers(0, 3))):
            days = None if rng.random() < 0.1 else float(rng.choice([rng.integers(1, 800), 0.5, 1e6, 91]))
            word = str(rng.choice(["accepted", "refused", "trial"]))
            rows.append((site, AS_OF - timedelta(days=int(rng.integers(-60, 900))), days, word, "because"))
    names = ("site_id", "decided_on", "visit_interval_days", "decision", "reason")
    return pl.DataFrame(rows, schema=names, orient="row")


def plan(case: Case, decisions: pl.DataFrame, months_seen: float = 40) -> VisitPlans:
    return plan_visits(
        sites=case.sites, units=case.units, lives={}, components=case.kinds, terms=case.terms,
        as_of=AS_OF, months_seen=months_seen, site_limits=case.limits, decisions=decisions, most_draws=6,
    )  # fmt: skip


def bounds(case: Case, row: dict, site: dict, rating: float | None, agreed: float) -> tuple[float, float]:
    """The longest interval and visit interval that hard limits leave one unit, by cases."""
    late, kind = case.terms.lateness_days, case.kinds[row["component"]]
    agreed -= late
    visit = min(agreed, (case.terms.local_rule_days or math.inf) - late)
    ceiling = kind.ceiling_days
    if row["component"] != "sediment_cartridge" and not kind.source:
        ceiling = min(ceiling, kind.customary_days)
    lamp = row["component"] == "uv_lamp"
    unit = min(ceiling - late, lamp_rating(kind, rating) - late if lamp else agreed)
    if site["failed_sample_open"] or site["open_alarm"]:
        unit, visit = (
            min(unit, kind.current_interval_days),
            min(visit, case.terms.current_visit_days),
        )
    return unit, min(unit, visit)


def bounded(case: Case, intervals: pl.DataFrame) -> list[tuple[dict, float, float]]:
    sites = {row["site_id"]: row for row in case.sites.iter_rows(named=True)}
    rated = {(r["site_id"], r["component"]): r["rated_life_days"] for r in case.units.iter_rows(named=True)}
    agreed = {name: site_limit(case, site) for name, site in sites.items()}
    return [
        (
            row,
            *bounds(
                case,
                row,
                sites[row["site_id"]],
                rated[row["site_id"], row["component"]],
                agreed[row["site_id"]],
            ),
        )
        for row in intervals.iter_rows(named=True)
    ]


def test_a_pinned_interval_holds_wherever_hard_limits_leave_it() -> None:
    held = cut = 0
    for seed in range(FLEETS // 6):
        case = random_case(seed)
        case.sites = case.sites.with_columns(address_id=pl.lit(None, pl.String))
        decisions = decided(seed, case)
        found = plan(case, decisions)
        latest = decisions.filter(pl.col("decided_on") <= AS_OF).sort("decided_on", maintain_order=True)
        pins = {
            row["site_id"]: row["visit_interval_days"] if row["decision"] != "refused" else None
            for row in latest.iter_rows(named=True)
        }
        custom = (pl.col("evidence") == "customary").all()
        few = dict(found.intervals.group_by("site_id").agg(custom).iter_rows())
        most: dict[str, float] = {}
        for row, _, visit in bounded(case, found.intervals):
            # where nothing can be planned by the records, a decision may not lengthen either
            today = case.terms.current_visit_days if few[row["site_id"]] else math.inf
            most[row["site_id"]] = min(most.get(row["site_id"], math.inf), max(min(visit, today), 7))
        for row in found.plans.iter_rows(named=True):
            pin = pins.get(row["site_id"])
            if pin is None:
                continue
            wanted = max(min(pin, most[row["site_id"]], 728) // 7 * 7, 7)
            assert row["visit_interval_days"] == wanted, (seed, row["site_id"], pin)
            held, cut = held + (wanted >= pin - 7), cut + (wanted < pin - 7)
    assert held > 50
    assert cut > 50


@pytest.mark.parametrize("uv_within", [0.0, 40.0, 84.0, 200.0])
def test_no_decision_passes_the_tolerated_chance_of_a_lamp_or_sleeve(uv_within: float) -> None:
    """Net of lateness, and never asking for visits closer together than any looked at."""
    held = 0
    for seed in range(FLEETS // 10):
        case = random_case(seed)
        longest = max(uv_within - case.terms.lateness_days, case.terms.shortest_visit_days, 7)
        there = case.units.filter(~pl.col("removed").fill_null(False))
        rows = plan(case, decided(seed, case)).intervals.join(there, on=["site_id", "component"], how="semi")
        known = rows.filter(pl.col("component").is_in(UV_UNIT) & (pl.col("evidence") != "customary"))
        assert (known["interval_days"] <= longest).all(), seed
        held += known.filter(pl.col("limited_by").is_in(["failure_chance", "cannot_be_met"])).height
    assert held > 20


def test_a_refused_interval_does_not_come_back() -> None:
    kept = 0
    for seed in range(FLEETS // 6):
        case = random_case(seed)
        no_flags = {"failed_sample_open": pl.lit(False), "open_alarm": pl.lit(False)}
        case.sites = case.sites.with_columns(address_id=pl.lit(None, pl.String), **no_flags)
        today = case.terms.current_visit_days
        decisions = decided(seed, case).with_columns(decision=pl.lit("refused"))
        latest = decisions.filter(pl.col("decided_on") <= AS_OF).sort("decided_on", maintain_order=True)
        refused = dict(latest.select("site_id", "visit_interval_days").iter_rows())
        for row in plan(case, decisions).plans.iter_rows(named=True):
            days = refused.get(row["site_id"])
            if days is not None and days > today:
                assert row["visit_interval_days"] <= max(today, 7), (seed, row["site_id"])
                kept += 1
    assert kept > 30


def test_few_records_lengthen_nothing_whatever_was_decided() -> None:
    for seed in range(FLEETS // 6):
        case = random_case(seed)
        today = case.terms.current_visit_days
        for row in plan(case, decided(seed, case), months_seen=5).intervals.iter_rows(named=True):
            assert row["evidence"] == "customary"
            assert row["visit_interval_days"] <= max(today, 7), (seed, row)
            # no whole number of weekly visits may fit below a shorter rule of its own
            assert row["interval_days"] <= max(row["current_interval_days"], row["visit_interval_days"])


def moved_case(seed: int) -> tuple[Case, dict[str, frozenset[int]], pl.DataFrame]:
    """A fleet with blocked months at most sites and absences at homes lived in part of the year."""
    rng = np.random.default_rng(2000 + seed)
    case = random_case(seed)
    names = case.sites["site_id"].to_list()
    occupancy = rng.choice(["seasonal", "all_year"], len(names)).tolist()
    case.sites = case.sites.with_columns(
        occupancy=pl.Series(occupancy), crew=pl.Series(rng.choice(["red", "blue"], len(names)).tolist())
    )
    blocked = {
        name: frozenset(rng.choice(12, int(rng.integers(1, 6)), replace=False) + 1) for name in names[::2]
    }
    away = [
        (name, "vacant", AS_OF - timedelta(days=200), AS_OF + timedelta(days=int(rng.integers(-150, 200))))
        for name in names[::3]
    ]
    changes = pl.DataFrame(away, schema=["site_id", "kind", "changed_on", "until"], orient="row")
    return case, blocked, changes


def due_of(case: Case, intervals: pl.DataFrame, changes: pl.DataFrame, blocked: dict, units: pl.DataFrame,
           visits: pl.DataFrame, as_of: date, late: float) -> pl.DataFrame:  # fmt: skip
    return due_list(
        sites=case.sites, units=units, visits=visits, intervals=intervals, lives={},
        components=case.kinds, as_of=as_of, lateness_days=late, changes=changes, blocked_months=blocked,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(3))
def test_blocked_months_returns_and_call_outs_never_carry_a_unit_past_its_written_limit(seed: int) -> None:
    """Whole fleets lived through for two years; visits on random days of their windows, call-outs between."""
    case, blocked, changes = moved_case(seed)
    no_flags = {"failed_sample_open": pl.lit(False), "open_alarm": pl.lit(False)}
    case.sites = case.sites.tail(16).with_columns(address_id=pl.lit(None, pl.String), **no_flags)
    case.terms = replace(case.terms, lateness_days=18.0)
    case.units = case.units.join(case.sites.select("site_id"), on="site_id", how="semi")
    intervals = plan(case, decided(seed, case)).intervals
    oldest = {(r["site_id"], r["component"]): r["deadline_days"] for r in intervals.iter_rows(named=True)}
    agreed = dict(intervals.group_by("site_id").agg(pl.col("visit_deadline_days").min()).iter_rows())
    rng = np.random.default_rng(seed)
    units = case.units.with_columns(fitted_on=pl.lit(AS_OF))
    visits = [(site, AS_OF, "routine") for site in case.sites["site_id"]]
    kept_out = renewed = 0
    for step in range(52):
        as_of = AS_OF + timedelta(days=14 * step)
        known = pl.DataFrame(visits, schema=["site_id", "visit_date", "visit_reason"], orient="row")
        due = due_of(case, intervals, changes, blocked, units, known, as_of, 18)
        fresh = {}
        fitted = {
            (site, kind): day
            for site, kind, day in units.select("site_id", "component", "fitted_on").iter_rows()
        }
        for site, day, reason, own in _coming(due, as_of, rng):
            for component in own["component"]:
                age = (day - fitted[site, component]).days
                least = 18 + 14  # weekly visits that come late can keep no shorter limit
                assert age <= max(oldest[site, component], least), (seed, site, component, day)
            if reason == "routine":
                since = max(on for name, on, why in visits if name == site and why == "routine")
                assert (day - since).days <= max(agreed[site] or math.inf, 18 + 14), (seed, site, day)
                if day.month in blocked.get(site, ()):
                    assert own["moved"][0] == "in_blocked" or day == as_of, (seed, site, day)
                else:
                    kept_out += site in blocked
            done = own.filter(pl.col("action") != "inspect")["component"].to_list()
            done = done if reason == "routine" else [str(rng.choice(own["component"].to_numpy()))]
            fresh |= {(site, component): day for component in done}
            visits.append((site, day, reason))
        now = [fresh.get(key, old) for key, old in fitted.items()]
        units, renewed = units.with_columns(fitted_on=pl.Series(now)), renewed + len(fresh)
    assert kept_out > 50
    assert renewed > 300


def _coming(
    due: pl.DataFrame, as_of: date, rng: np.random.Generator
) -> Iterator[tuple[str, date, str, pl.DataFrame]]:
    """Each site that is visited within a fortnight: its day, why, and its lines of the due list."""
    for (site,), own in due.group_by("site_id", maintain_order=True):
        first, end = own["visit_from"][0], own["visit_by"][0]
        assert as_of <= first <= end
        day = first + timedelta(days=int(rng.integers(0, (end - first).days + 1)))
        if rng.random() < 0.05 and first > as_of + timedelta(days=14):
            yield str(site), as_of + timedelta(days=3), "callout", own
        elif day < as_of + timedelta(days=14) or end < as_of + timedelta(days=14):
            yield str(site), day, "routine", own


@pytest.mark.parametrize("most", [None, 1.0, 3.0])
def test_the_calendar_places_every_visit_and_only_ever_brings_forward(most: float | None) -> None:
    brought = over = 0
    for seed in range(FLEETS // 20):
        case, blocked, changes = moved_case(seed)
        intervals = plan(case, decided(seed, case)).intervals
        visits = pl.DataFrame(
            {
                "site_id": case.sites["site_id"],
                "visit_date": AS_OF - timedelta(days=60),
                "visit_reason": "routine",
            }
        )
        late = case.terms.lateness_days
        due = due_of(case, intervals, changes, blocked, case.units, visits, AS_OF, late)
        weeks = calendar(
            due=due, sites=case.sites, intervals=intervals, as_of=AS_OF, lateness_days=late,
            stops_per_week=most, blocked_months=blocked,
        )  # fmt: skip
        first = weeks.filter(pl.col("visit") == 1)
        assert sorted(first["site_id"]) == sorted(set(due["site_id"]))
        assert (weeks["week"] >= AS_OF).all()
        assert (weeks["week"] <= weeks["no_later_than"]).all()
        again = weeks.sort("site_id", "visit").with_columns(pl.col("week").diff().over("site_id"))
        assert (again.drop_nulls("week")["week"].dt.total_days() > 0).all()
        load = weekly_load(weeks, as_of=AS_OF, stops_per_week=most)
        if most is None:
            assert weeks["fits"].all()
            assert (load["over"] == 0).all()
        else:
            fitting = weeks.filter("fits").group_by("crew", "week").agg(pl.col("stops").sum())
            assert (fitting["stops"] <= most + 1e-9).all()
            brought += int((weeks["moved"] == "crew_full").sum())
            over += int((~weeks["fits"]).sum())
    assert most is None or (brought > 0 and over > 0)
