"""Visits of a plan just begun: spread over six weeks, though no longer than the chances there allow.

By hand: a unit fitted on the as-of day less `age`, with log-logistic life of scale m and sigma 1/2, is spent
by age t with chance t^2 / (m^2 + t^2); seen good at age s, with chance 1 - (m^2 + s^2) / (m^2 + t^2).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import ComponentTerms, calendar, due_list
from fleetstats.advice.spent import Ahead
from fleetstats.life.draws import LifeDraws

AS_OF = date(2025, 6, 30)
DAY = timedelta(days=1)
SEDIMENT, LAMP = "sediment_cartridge", "uv_lamp"
KINDS = {
    SEDIMENT: ComponentTerms(SEDIMENT, current_interval_days=182),
    LAMP: ComponentTerms(LAMP, current_interval_days=364, customary_days=365),
}


def lives(median: float = 200.0, rows: int = 9) -> LifeDraws:
    at = np.full((rows, 1), np.log(median))
    return LifeDraws(("loglogistic",), at, np.array([0.5]), np.zeros((rows, 1)))


def unit(site: str = "a", component: str = SEDIMENT, age: int | None = 100, **more: Any) -> dict[str, Any]:
    return {
        "site_id": site, "component": component, "slot": "", "part_number": component, "life_row": 0,
        "fitted_on": None if age is None else AS_OF - age * DAY, "survived_days": 0.0, "spent_seen": False,
        "removed": False, **more,
    }  # fmt: skip


def interval(row: dict[str, Any], visit: int, every: int = 1, **more: Any) -> dict[str, Any]:
    rule = KINDS[row["component"]].current_interval_days
    return {
        "site_id": row["site_id"], "component": row["component"], "slot": "", "visit_interval_days": visit,
        "every_n_visits": every, "interval_days": visit * every, "hard_limit_days": 365.0, "deadline_days": 365.0,
        "deadline": "ceiling", "visit_deadline_days": None, "current_interval_days": rule, **more,
    }  # fmt: skip


def due(
    *units: dict[str, Any],
    kinds: dict[str, ComponentTerms] = KINDS,
    draws: dict[str, LifeDraws] | None = None,
    visited: int = 100,
    address: str | None = None,
    late: float = 14,
    **limits: Any,
) -> pl.DataFrame:
    """The due list of sites that come every 70 days by the plan and were visited 100 days ago."""
    names = sorted({row["site_id"] for row in units})
    sites = pl.DataFrame({"site_id": names}).with_columns(
        served=True, failed_sample_open=False, open_alarm=False, first_visit_on=AS_OF - 900 * DAY,
        address_id=pl.lit(address, pl.String),
    )  # fmt: skip
    visits = pl.DataFrame({"site_id": names, "visit_date": AS_OF - visited * DAY, "visit_reason": "routine"})
    schema = {"fitted_on": pl.Date, "life_row": pl.Int64}
    intervals = pl.DataFrame(
        [interval(row, 70, **limits) for row in units], infer_schema_length=None
    ).with_columns(pl.col("visit_deadline_days").cast(pl.Float64))
    return due_list(
        sites=sites, units=pl.DataFrame(units, schema_overrides=schema, infer_schema_length=None),
        visits=visits, intervals=intervals, lives=lives_of(draws), components=kinds, as_of=AS_OF,
        lateness_days=late,
    )  # fmt: skip


def lives_of(draws: dict[str, LifeDraws] | None) -> dict[str, LifeDraws]:
    return {SEDIMENT: lives(2000.0), LAMP: lives(9000.0)} if draws is None else draws


def window(found: pl.DataFrame, site: str = "a") -> tuple[int, int, str | None]:
    """Days from as-of on which a site's visit is booked from and no later than, and why it was moved."""
    row = found.filter(pl.col("site_id") == site).row(0, named=True)
    return (row["visit_from"] - AS_OF).days, (row["visit_by"] - AS_OF).days, row["moved"]


def test_a_visit_that_only_the_plan_makes_due_may_wait_six_weeks() -> None:
    assert window(due(unit())) == (0, 42, "phased_in")


def test_it_waits_no_longer_than_todays_rule_would_have() -> None:
    assert window(due(unit(age=160), visited=160)) == (0, 22, "phased_in")  # 182 - 160


@pytest.mark.parametrize("limit", ["hard_limit_days", "visit_deadline_days"])
def test_it_never_waits_past_a_hard_limit(limit: str) -> None:
    """130 days less 100 gone is 30; the agreed interval is taken net of lateness, and so is 144 less 14."""
    found = due(unit(), **{limit: 130.0 if limit == "hard_limit_days" else 144.0})
    assert window(found) == (0, 30, "phased_in")


def test_a_visit_overdue_by_todays_rule_too_keeps_its_date() -> None:
    assert window(due(unit(age=190), visited=190)) == (0, 14, None)


def test_a_visit_not_yet_due_keeps_its_date() -> None:
    assert window(due(unit(age=60), visited=60)) == (10, 24, None)


def test_a_unit_likely_spent_by_then_lets_its_visit_wait_only_while_it_is_tolerated() -> None:
    """m = 220: spent by day 127 with t^2 / (m^2 + t^2) = 0.25 at t = m / sqrt(3) = 127.0; 100 + 21 is within."""
    draws = {SEDIMENT: lives(220.0), LAMP: lives(9000.0)}
    assert window(due(unit(), draws=draws)) == (0, 21, "phased_in")


def test_what_is_tolerated_is_the_components_own_limit_where_it_has_one() -> None:
    draws = {SEDIMENT: lives(220.0), LAMP: lives(9000.0)}
    # 0.35 at t = m * sqrt(0.35 / 0.65) = 161.4: all of the six weeks; 0.22 at 116.8: 14 days and no more
    loose = {**KINDS, SEDIMENT: ComponentTerms(SEDIMENT, failure_chance_limit=0.35)}
    tight = {**KINDS, SEDIMENT: ComponentTerms(SEDIMENT, failure_chance_limit=0.22)}
    assert window(due(unit(), draws=draws, kinds=loose)) == (0, 42, "phased_in")
    assert window(due(unit(), draws=draws, kinds=tight)) == (0, 14, None)


def test_of_the_uv_unit_no_more_is_tolerated_than_of_any_other() -> None:
    """A lamp of m = 220, whose own limit is 0.5 (reached on day 220), waits to day 127 as any unit does."""
    draws = {SEDIMENT: lives(9000.0), LAMP: lives(220.0)}
    half = {**KINDS, LAMP: replace(KINDS[LAMP], rated_life_days=365, failure_chance_limit=0.5)}
    tight = {**KINDS, LAMP: replace(half[LAMP], failure_chance_limit=0.22)}
    assert half[LAMP].of_uv_unit
    assert window(due(unit(component=LAMP), draws=draws, kinds=half)) == (0, 21, "phased_in")
    assert window(due(unit(component=LAMP), draws=draws, kinds=tight)) == (0, 14, None)


def test_a_unit_likely_spent_already_keeps_its_date() -> None:
    assert window(due(unit(), draws={SEDIMENT: lives(100.0)})) == (0, 14, None)


def test_a_unit_seen_good_lately_may_wait_longer() -> None:
    """Good at 90: 1 - (220^2 + 90^2) / (220^2 + 142^2) is 0.176 by day 42."""
    found = due(unit(survived_days=90.0), draws={SEDIMENT: lives(220.0)})
    assert window(found) == (0, 42, "phased_in")


def test_the_likeliest_unit_at_an_address_decides_for_all_of_it() -> None:
    draws = {SEDIMENT: lives(220.0), LAMP: lives(9000.0)}
    found = due(unit("a", LAMP), unit("b", SEDIMENT), draws=draws, address="one")
    assert window(found, "a") == window(found, "b") == (0, 21, "phased_in")
    alone = due(unit("a", LAMP), unit("b", SEDIMENT), draws=draws)
    assert (window(alone, "a"), window(alone, "b")) == ((0, 42, "phased_in"), (0, 21, "phased_in"))


def test_a_unit_without_a_curve_leaves_the_visit_to_todays_rule() -> None:
    assert window(due(unit(life_row=None))) == (0, 42, "phased_in")


def test_overdue_and_doubtful_lamps_do_not_wait() -> None:
    for lamp in (unit("a", LAMP, age=None), unit("a", LAMP, age=366)):
        assert window(due(lamp, unit("a"))) == (0, 0, None)


def test_the_likeliest_to_be_spent_gets_the_first_week_of_those_that_may_wait_alike() -> None:
    draws = {SEDIMENT: LifeDraws(
        ("loglogistic",), np.log([[2000.0], [900.0], [600.0]]), np.array([0.5]), np.zeros((3, 1))
    )}  # fmt: skip
    units = [unit(site, life_row=row) for row, site in enumerate("abc")]
    found = due(*units, draws=draws)
    weeks = calendar(
        due=found, sites=pl.DataFrame({"site_id": ["a", "b", "c"]}), as_of=AS_OF, lateness_days=14,
        intervals=pl.DataFrame([interval(row, 70) for row in units]).with_columns(
            pl.col("visit_deadline_days").cast(pl.Float64)
        ),
        stops_per_week=None, blocked_months={},
    )  # fmt: skip
    first = weeks.filter(pl.col("visit") == 1)
    assert dict(first.select("site_id", "week").iter_rows()) == {
        "c": AS_OF, "b": AS_OF + 7 * DAY, "a": AS_OF + 14 * DAY
    }  # fmt: skip


def test_chances_by_hand_and_nan_where_nothing_says() -> None:
    rows = pl.DataFrame(
        [
            unit(), unit(survived_days=90.0), unit(life_row=None), unit(spent_seen=True), unit(removed=True),
        ],
        infer_schema_length=None,
    ).with_columns(age_days=pl.lit(100), first_visit_on=pl.lit(AS_OF - 900 * DAY), interval_days=70)  # fmt: skip
    ahead = Ahead({SEDIMENT: lives(200.0)}, AS_OF, gauges={})
    found = ahead.chances_by(rows, pl.Series([AS_OF + 50 * DAY] * 5))
    square = 200.0**2 + 150.0**2
    wanted = [150.0**2 / square, 1 - (200.0**2 + 90.0**2) / square, np.nan, 1.0, 0.0]
    np.testing.assert_allclose(found, wanted, rtol=1e-9)


def test_a_gauge_that_was_read_decides_how_long_the_visit_waits() -> None:
    rows = pl.DataFrame([unit()]).with_columns(
        age_days=pl.lit(100), first_visit_on=pl.lit(AS_OF - 900 * DAY), interval_days=70,
        visit_by=pl.lit(AS_OF + 42 * DAY), address=pl.lit("at"),
    )  # fmt: skip

    def told(rows: np.ndarray, age_days: np.ndarray) -> np.ndarray:
        return np.where(age_days > 130, 0.9, 0.1)

    ahead = Ahead({SEDIMENT: lives(2000.0)}, AS_OF, gauges={SEDIMENT: told})
    within = ahead.last_day_within(rows, {SEDIMENT: 0.25})
    assert within.rows() == [("at", AS_OF + 28 * DAY)]
