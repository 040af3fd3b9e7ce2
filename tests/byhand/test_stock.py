"""Demand and orders of fleets small enough to count on the fingers: lives that all but do not vary."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.life.draws import LifeDraws
from fleetstats.stock import DemandForecast, monthly_demand, order_schedule

AS_OF = date(2024, 1, 31)  # the last day of a month: the months ahead begin the day after
KIND = "cartridge"


def certain(*life_days: float) -> LifeDraws:
    """Lives known to a minute: one unit for each number."""
    place = np.log(np.array(life_days))[:, None]
    return LifeDraws(("weibull",), place, np.array([1e-7]), np.zeros_like(place))


def forecast(
    life_days: float,
    *,
    age: float | None = 0.0,
    survived: float | None = None,
    spent: bool = False,
    announced: bool = True,
    first_visit: int = 10_000,
    visit_interval: float = 10_000.0,
    every: int = 1,
    hard_limit: float | None = None,
    young: tuple[float, float] | None = None,
    as_of: date = AS_OF,
) -> DemandForecast:
    known = age if survived is None else survived
    units = pl.DataFrame(
        {
            "site_id": ["A"], "component": [KIND], "slot": [""], "part_number": ["P-1"], "age_days": [age],
            "survived_days": [known], "spent_seen": [spent],
        },
        schema_overrides={"age_days": pl.Float64, "survived_days": pl.Float64},
    )  # fmt: skip
    plans = pl.DataFrame(
        {
            "site_id": ["A"], "component": [KIND], "slot": [""], "visit_interval_days": [visit_interval],
            "every_n_visits": [every], "hard_limit_days": [hard_limit],
            "next_visit_on": [as_of + timedelta(days=first_visit)],
        },
        schema_overrides={"hard_limit_days": pl.Float64},
    )  # fmt: skip
    if young is not None:
        plans = plans.with_columns(renewed_young_first=young[0], renewed_young_second=young[1])
    return monthly_demand(
        units=units, lives={KIND: certain(life_days)}, announced={KIND: announced}, plans=plans, as_of=as_of,
        replicates=3,
    )  # fmt: skip


def by_month(found: DemandForecast) -> dict[str, float]:
    used = found.stock.filter(pl.col("expected") > 0)
    return {str(day)[:7]: use for day, use in used.select("month", "expected").iter_rows()}


def test_call_outs_every_hundred_days() -> None:
    # New on 31 January, lasting 99.6 days each: days 100, 200, 299 and no more within 366.
    found = forecast(99.6)
    assert by_month(found) == {"2024-05": 1.0, "2024-08": 1.0, "2024-11": 1.0}
    assert found.callouts.sum(axis=(0, 1)).tolist() == [3, 3, 3]
    assert found.rest_of_month["expected"].to_list() == [0.0]


def test_the_rest_of_the_month_is_kept_apart_and_not_lost() -> None:
    # As of 10 March, aged 90 of 99.6 days: fails on day 10, 20 March; then 29 June, 6 October, 14 January.
    found = forecast(99.6, age=90.0, as_of=date(2024, 3, 10))
    assert found.rest_of_month.select("month", "expected").row(0) == (date(2024, 3, 1), 1.0)
    assert by_month(found) == {"2024-06": 1.0, "2024-10": 1.0, "2025-01": 1.0}
    assert found.whole_horizon["expected"].to_list() == [4.0]
    assert found.stock["month"].to_list()[0] == date(2024, 4, 1)
    assert found.stock.height == 12


def test_a_failure_on_the_first_of_a_month_counts_to_that_month() -> None:
    for left, month in ((28.5, "2024-02"), (29.5, "2024-03")):  # 29 February and 1 March
        assert by_month(forecast(400.0, age=400.0 - left)) == {month: 1.0}


@pytest.mark.parametrize(
    ("age", "first_visit", "every", "hard_limit", "renewed"),
    [
        # Visits every 100 days. At a visit a unit goes if its age at the next one passes 100 every + 50.
        (10, 60, 1, None, [60, 160, 260, 360]),  # 70 days old, 170 at the next
        (0, 50, 1, None, [150, 250, 350]),  # 50, and 150 at the next does not pass 150
        (91, 60, 2, None, [60, 260]),  # 151 and 251; then 100 and 200 stays, 200 and 300 goes
        (90, 60, 2, None, [160, 360]),  # 150 and 250 stays
        (90, 60, 2, 250.0, [160, 360]),  # 250 at the next: at the limit, not past it
        (90, 60, 2, 249.5, [60, 260]),  # on its 250th day it would be past it
        (90, 60, 2, 249.0, [60, 260]),
        (0, 60, 3, 199.0, [160, 260, 360]),  # 60 and 160 stays; 160 and 260 goes; 100 and 200 goes
    ],
)
def test_the_visit_rule(
    age: int, first_visit: int, every: int, hard_limit: float | None, renewed: list[int]
) -> None:
    found = forecast(
        1e5, age=float(age), visit_interval=100.0, first_visit=first_visit, every=every, hard_limit=hard_limit
    )
    months = Counter(str(AS_OF + timedelta(days=day))[:7] for day in renewed)
    assert by_month(found) == months
    assert found.callouts.sum() == 0


def test_a_call_out_renews_and_the_coming_visit_leaves_the_new_one() -> None:
    # Fails on day 31 (aged 130 of 160.5); on day 60 the new one is 29.5 and would be 129.5 <= 150: it stays
    # until day 160. A unit fitted then is renewed at every visit.
    found = forecast(160.5, age=130.0, visit_interval=100.0, first_visit=60)
    assert by_month(found) == {"2024-03": 1.0, "2024-07": 1.0, "2024-10": 1.0, "2025-01": 1.0}
    assert found.callouts[0].sum(axis=0).tolist() == [1, 1, 1]


@pytest.mark.parametrize(
    ("age", "young", "renewed"),
    [
        # Fails on day 31 or 41 (at 160.5), so the new one is 29.5 or 19.5 at the visit on day 60.
        (130.0, (0.0, 0.0), [31, 160, 260, 360]),
        (130.0, (0.0, 1.0), [31, 60, 160, 260, 360]),  # past a quarter of a visit interval: renewed
        (120.0, (0.0, 1.0), [41, 160, 260, 360]),  # not yet a quarter old: stays
        (120.0, (1.0, 1.0), [41, 60, 160, 260, 360]),
    ],
)
def test_a_visit_renews_young_units_where_that_is_the_practice(
    age: float, young: tuple[float, float], renewed: list[int]
) -> None:
    found = forecast(160.5, age=age, visit_interval=100.0, first_visit=60, young=young)
    assert by_month(found) == Counter(str(AS_OF + timedelta(days=day))[:7] for day in renewed)
    assert found.callouts.sum() == 3  # one in each of three replicates


def test_a_hidden_failure_waits_for_the_visit_that_finds_it() -> None:
    # Lasts 80.5 days; visits on days 60, 160, 260, 360 under a plan of every third: good at 60, spent at 160.
    found = forecast(80.5, announced=False, visit_interval=100.0, first_visit=60, every=3)
    assert by_month(found) == {"2024-07": 1.0, "2024-10": 1.0, "2025-01": 1.0}
    assert found.callouts.sum() == 0


def test_what_was_last_seen_working_long_ago_may_be_spent_already() -> None:
    # Aged 200, last seen working at 50, life 100: spent for 100 days, found on day 60.
    found = forecast(100.0, age=200.0, survived=50.0, announced=False, first_visit=60, visit_interval=300.0)
    assert by_month(found) == {"2024-03": 1.0, "2025-01": 1.0}


def test_found_spent_and_left_in_place_is_renewed_at_the_next_visit_without_a_call_out() -> None:
    found = forecast(1e5, age=20.0, spent=True, first_visit=60, visit_interval=400.0)
    assert by_month(found) == {"2024-03": 1.0}
    assert found.callouts.sum() == 0


def test_a_unit_of_unknown_age_is_renewed_at_the_next_visit() -> None:
    assert by_month(forecast(1e5, age=None, first_visit=60, visit_interval=400.0)) == {"2024-03": 1.0}


def test_an_overdue_visit_takes_place_tomorrow() -> None:
    found = forecast(1e5, age=300.0, first_visit=-40, visit_interval=200.0)
    assert by_month(found) == {"2024-02": 1.0, "2024-08": 1.0}  # days 1 and 201


def with_use(*use: int) -> DemandForecast:
    """Three months of use that is known for certain, from 1 February."""
    starts = [date(2024, 2, 1), date(2024, 2, 1), date(2024, 3, 1), date(2024, 4, 1)]
    ends = [date(2024, 2, 1), date(2024, 3, 1), date(2024, 4, 1), date(2024, 5, 1)]
    table = np.array([[[0], *([n] for n in use)]])
    return DemandForecast(
        as_of=AS_OF,
        parts=pl.DataFrame({"part_number": ["P-1"], "component": [KIND], "units": [9], "sites": [9]}),
        periods=pl.DataFrame({"starts_on": starts, "ends_before": ends}),
        use=table,
        callouts=np.zeros_like(table),
        first_fits=np.zeros(table.shape[:2], np.int64),
        renewed=table.sum(axis=1),
        use_current=None,
    )


def shelf(**changed: object) -> pl.DataFrame:
    row = {
        "part_number": "P-1", "component": KIND, "on_hand": 29, "on_order": 0, "lead_time_days": 14,
        "pack_size": 6, "unit_cost": 2.5,
    }  # fmt: skip
    return pl.DataFrame([row | changed])


def test_one_a_day_in_february() -> None:
    # 29 in stock, one used a day in February (29 days), then 31 in March: the 30th is wanted on 1 March.
    # It must be ordered 14 days before, on 16 February; 10 days' cover to 11 March asks for 10 + 1 more than
    # the stock (40 by day 40), so 2 packs of 6.
    row = order_schedule(with_use(29, 31, 0), shelf(), cover_days=10).row(0, named=True)
    assert row["runs_short_on"] == date(2024, 3, 1)
    assert row["order_by"] == date(2024, 2, 16)
    assert row["arrives_by"] == date(2024, 3, 1)
    assert row["covers_until"] == date(2024, 3, 11)
    assert (row["packs"], row["quantity"], row["order_cost"]) == (2, 12, 30.0)
    assert row["money_in_stock"] == 29 * 2.5
    assert row["reason"] == "in time"


def test_orders_follow_one_another_until_the_horizon_is_covered() -> None:
    orders = order_schedule(with_use(29, 31, 30), shelf(), cover_days=10)
    assert orders["order_number"].to_list() == list(range(1, orders.height + 1))
    assert 29 + orders["quantity"].sum() >= 90
    assert 29 + orders["quantity"].sum() - orders["quantity"][-1] < 90


def test_too_late_to_order_in_time() -> None:
    row = order_schedule(with_use(29, 31, 0), shelf(on_hand=5), cover_days=10).row(0, named=True)
    assert row["runs_short_on"] == date(2024, 2, 6)  # the sixth is wanted on day 6
    assert row["order_by"] == AS_OF
    assert row["reason"] == "may run short before it arrives"
    assert row["quantity"] == 24  # until day 14 + 10 one a day, less 5: 19, in packs of 6


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"on_hand": 60}, "enough for the months ahead"),
        ({"on_order": 31}, "enough for the months ahead"),
        ({"on_hand": None}, "on_hand is not given"),
        ({"lead_time_days": None}, "lead_time_days is not given"),
        ({"part_number": "P-2"}, "not in the parts table"),
    ],
)
def test_no_order_has_a_reason(changed: dict[str, object], reason: str) -> None:
    row = order_schedule(with_use(29, 31, 0), shelf(**changed)).row(0, named=True)
    assert row["quantity"] is None
    assert row["reason"] == reason
