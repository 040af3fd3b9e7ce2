"""What months without planned visits cost: visits by the calendar, prices against lives lived through."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import VisitPlans, due_list
from fleetstats.advice.blocked_costs import BlockedCosts, days_between_visits
from fleetstats.advice.blocked_costs import blocked_costs as priced_months
from fleetstats.advice.moves import months_together
from fleetstats.life.draws import LifeDraws

from .conftest import AS_OF, Fleet

MakeFleet = Callable[..., Fleet]
WINTER = frozenset({12, 1, 2})


def blocked_costs(**given: object) -> pl.DataFrame:
    """Return the part by site."""
    found: BlockedCosts = priced_months(**given)  # type: ignore[arg-type]
    return found.sites


def followed(first: date, gaps: tuple[int, ...]) -> list[date]:
    days = [first]
    for gap in gaps:
        days.append(days[-1] + timedelta(days=gap))
    return days


def test_a_visit_that_would_fall_in_a_blocked_month_waits_until_it_is_over() -> None:
    gaps = days_between_visits(date(2025, 9, 1), visit_days=120, most_days=365, blocked=frozenset({12}))
    # 1 Sep + 120 = 30 Dec, which waits for 1 Jan; + 120 = 1 May; + 120 = 29 Aug; + 120 = 27 Dec, 1 Jan again
    assert followed(date(2025, 9, 1), gaps[:4]) == [
        date(2025, 9, 1), date(2026, 1, 1), date(2026, 5, 1), date(2026, 8, 29), date(2027, 1, 1)
    ]  # fmt: skip
    assert gaps[:4] == (122, 120, 120, 125)


def test_where_a_limit_bars_waiting_the_visit_is_made_before_or_else_in_the_month() -> None:
    start = date(2025, 9, 1)
    before = days_between_visits(start, visit_days=120, most_days=121, blocked=frozenset({12}))
    assert followed(start, before)[1] == date(2025, 11, 30)
    # the last open day, 30 Sep, is no half of the 100 days after 1 Sep: another visit then would help nobody
    within = days_between_visits(start, visit_days=100, most_days=100, blocked=frozenset({10, 11, 12}))
    assert followed(start, within)[1] == date(2025, 12, 10)


def test_without_such_a_month_on_its_way_the_plan_goes_on_as_it_is() -> None:
    assert set(
        days_between_visits(date(2025, 3, 1), visit_days=365, most_days=400, blocked=frozenset({12}))
    ) == {365}


@pytest.mark.parametrize("seed", range(40))
def test_visits_wait_day_by_day_until_the_months_are_over_or_are_made_before(seed: int) -> None:
    rng = np.random.default_rng(seed)
    blocked = frozenset((rng.choice(12, int(rng.integers(1, 11)), replace=False) + 1).tolist())
    days, most = int(rng.integers(1, 60)) * 7, int(rng.integers(50, 400))
    first = AS_OF + timedelta(days=int(rng.integers(0, 365)))
    for on, gap in zip(followed(first, gaps := days_between_visits(
        first, visit_days=days, most_days=most, blocked=blocked
    )), gaps, strict=False):  # fmt: skip
        wanted = on + timedelta(days=days)
        after = next(d for d in (wanted + timedelta(days=n) for n in range(366)) if d.month not in blocked)
        before = next(d for d in (wanted - timedelta(days=n) for n in range(366)) if d.month not in blocked)
        too_soon = (before - on).days < max(math.ceil(days / 2), 7)
        expected = after if (after - on).days <= most else wanted if too_soon else before
        assert expected == on + timedelta(days=gap)


def test_months_that_leave_none_together_are_none() -> None:
    halves = {"a": frozenset(range(1, 7)), "b": frozenset(range(7, 13))}
    assert months_together(["a"], halves) == halves["a"]
    assert months_together(["a", "b", "c"], halves) == frozenset()


def planned(fleet: Fleet) -> tuple[VisitPlans, pl.DataFrame]:
    plans = fleet.plan()
    visits = pl.DataFrame(
        {
            "site_id": fleet.sites["site_id"],
            "visit_date": AS_OF - timedelta(days=30),
            "visit_reason": "routine",
        }
    )
    due = due_list(
        sites=fleet.sites, units=fleet.units, visits=visits, intervals=plans.intervals, lives=fleet.lives,
        components=fleet.kinds, as_of=AS_OF,
    )  # fmt: skip
    return plans, due


def costs(fleet: Fleet, blocked: dict[str, frozenset[int]]) -> pl.DataFrame:
    plans, due = planned(fleet)
    return blocked_costs(fleet=plans.priced, intervals=plans.intervals, due=due, blocked_months=blocked)


def lived(
    gaps: np.ndarray, visit_days: int, median: float, sigma: float, lives: int = 4000
) -> tuple[float, float]:
    """Call-outs and planned renewals a year of many cartridges over those visits, renewed at every one.

    A cartridge less than half an interval old stays, as the visit rule has it.
    """
    rng = np.random.default_rng(0)
    age, calls, renewed = np.zeros(lives), 0, 0
    draw = lambda size: median * np.exp(sigma * rng.standard_normal(size))  # noqa: E731
    life = draw(lives)
    for gap in gaps:
        left = np.full(lives, float(gap))
        while (ends := life - age < left).any():
            left = np.where(ends, left - (life - age), left)
            calls += int(ends.sum())
            life, age = np.where(ends, draw(lives), life), np.where(ends, 0.0, age)
        age = age + left
        new = age > visit_days / 2
        renewed += int(new.sum())
        life, age = np.where(new, draw(lives), life), np.where(new, 0.0, age)
    years = gaps.sum() / 365.25 * lives
    return calls / years, renewed / years


def test_the_price_is_that_of_lives_lived_through(make_fleet: MakeFleet) -> None:
    """One kind of cartridge of known life: the cost more is what lives drawn one by one come to."""
    fleet = make_fleet(sites=3, lives={"sediment_cartridge": 200}, spread=0.0)
    draws = 60
    fleet.lives = {"sediment_cartridge": LifeDraws(
        ("lognormal",) * draws, np.full((3, draws), np.log(200.0)), np.full(draws, 0.3), np.zeros((3, draws))
    )}  # fmt: skip
    fleet.units = fleet.units.with_columns(failures=20, fitted_on=pl.lit(AS_OF - timedelta(days=30)))
    plans, due = planned(fleet)
    days = int(plans.intervals["visit_interval_days"][0])
    assert plans.intervals["every_n_visits"].to_list() == [1, 1, 1]
    found = blocked_costs(
        fleet=plans.priced, intervals=plans.intervals, due=due, blocked_months={"S001": WINTER}
    ).row(0, named=True)
    gaps = np.array(days_between_visits(
        due["visit_from"][0], visit_days=days, most_days=365, blocked=WINTER
    ))  # fmt: skip
    calls, renewed = lived(gaps, days, 200, 0.3)
    calls_plan, renewed_plan = lived(np.full(40, days), days, 200, 0.3)
    assert calls > calls_plan * 1.2
    assert found["visit_interval_days"] == round(gaps.mean())
    assert found["callouts_per_year_more"] == pytest.approx(calls - calls_plan, abs=0.02)
    trips = 365.25 * (1 / gaps.mean() - 1 / days)
    assert found["trips_per_year_more"] == pytest.approx(trips)
    more = (calls - calls_plan) * (300 + 45) + (renewed - renewed_plan) * 45 + trips * 120
    assert found["cost_per_year_more"] == pytest.approx(more, abs=3)


def test_only_sites_with_such_months_have_a_row_and_an_address_shares_its_cost(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=4)
    alone = costs(fleet, {"S001": WINTER})
    assert alone["site_id"].to_list() == ["S001"]
    assert alone.select("kind", "source").row(0) == (
        "blocked_months",
        "settings: January, February, December",
    )
    fleet.sites = fleet.sites.with_columns(address_id=pl.Series(["A", "A", None, None]))
    one = costs(fleet, {"S001": WINTER})
    both = costs(fleet, {"S000": WINTER, "S001": WINTER})
    assert both["site_id"].to_list() == ["S000", "S001"]
    for name in ("trips_per_year_more", "callouts_per_year_more", "cost_per_year_more"):
        assert both[name].to_list() == pytest.approx([one[name][0] / 2] * 2)
    assert costs(fleet, {}).is_empty()


def test_together_each_address_counts_once_and_ranges_are_those_of_the_sum(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=4)
    fleet.units = fleet.units.with_columns(failures=20)
    fleet.sites = fleet.sites.with_columns(address_id=pl.Series(["A", "A", None, None]))
    plans, due = planned(fleet)
    found = priced_months(
        fleet=plans.priced, intervals=plans.intervals, due=due,
        blocked_months={f"S00{n}": WINTER for n in range(4)},
    )  # fmt: skip
    (row,) = found.total.iter_rows(named=True)
    assert (row["sites"], row["addresses"], row["addresses_priced"]) == (4, 3, 3)
    for name in ("trips_per_year_more", "callouts_per_year_more", "cost_per_year_more"):
        assert row[name] == pytest.approx(found.sites[name].sum())
    assert row["low"] < row["cost_per_year_more"] < row["high"]
    # what is unknown of the lives is in part the site's own: a sum is less wide than its parts together
    assert row["high"] - row["low"] < (found.sites["high"] - found.sites["low"]).sum()


def test_months_that_no_visit_falls_in_cost_nothing(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=2)
    fleet.units = fleet.units.with_columns(failures=20)
    months = {"S000": frozenset({12}), "S001": frozenset({12})}
    plans, due = planned(fleet)
    days = plans.plans["visit_interval_days"]
    due = due.with_columns(visit_from=pl.lit(date(2026, 1, 15)))
    for name in ("visit_interval_days", "interval_days"):
        plans = replace(plans, intervals=plans.intervals.with_columns(pl.lit(364).alias(name)))
    assert (days < 364).all()
    found = blocked_costs(fleet=plans.priced, intervals=plans.intervals, due=due, blocked_months=months)
    # 8 years of 364 days bring it back by ten days: to 5 January, still after December
    assert found["cost_per_year_more"].to_list() == pytest.approx([0.0, 0.0])
    assert found["visit_interval_days"].to_list() == [364, 364]


@pytest.mark.parametrize(("months_seen", "unpriced"), [(40.0, None), (5.0, "few_records")])
def test_there_is_no_price_where_records_are_too_few_for_a_plan(
    make_fleet: MakeFleet, months_seen: float, unpriced: str | None
) -> None:
    fleet = make_fleet(sites=3)
    fleet.months_seen = months_seen
    row = costs(fleet, {"S001": WINTER}).row(0, named=True)
    assert row["unpriced"] == unpriced
    prices = [row[name] for name in ("callouts_per_year_more", "cost_per_year_more", "low", "high")]
    assert [price is None for price in prices] == [unpriced is not None] * 4
    assert row["trips_per_year_more"] is not None


def test_stretches_longer_than_any_interval_looked_at_are_not_priced(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=3, lives={"sediment_cartridge": 200})
    fleet.terms = replace(fleet.terms, longest_visit_days=112)
    row = costs(fleet, {"S001": frozenset({9, 10, 11, 12, 1, 2, 3})}).row(0, named=True)
    assert (row["unpriced"], row["cost_per_year_more"], row["low"]) == ("out_of_range", None, None)
