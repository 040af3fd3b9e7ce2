"""What must hold of renewals and forecasts whatever the records say."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetstats.life.draws import LifeDraws
from fleetstats.stock import DemandForecast, monthly_demand, renewals

AS_OF = date(2024, 5, 17)
shapes = st.floats(0.7, 5.0)
lives_days = st.floats(20.0, 900.0)


@settings(max_examples=8, deadline=None)
@given(shapes, lives_days, st.floats(0.1, 4.0))
def test_renewals_do_not_depend_on_the_unit_of_time(shape: float, eta: float, lives_ahead: float) -> None:
    in_days = renewals(lambda t: np.exp(-((t / eta) ** shape)), eta * lives_ahead)
    in_years = renewals(lambda t: np.exp(-((t * 365.25 / eta) ** shape)), eta * lives_ahead / 365.25)
    np.testing.assert_allclose(in_days, in_years, rtol=1e-6)


@settings(max_examples=25, deadline=None)
@given(shapes, st.floats(0.05, 5.0))
def test_renewals_lie_between_their_bounds(shape: float, time: float) -> None:
    # Barlow & Proschan 1965: F(t) <= M(t) <= F(t) / (1 - F(t)), and M never falls.
    found = np.asarray(renewals(lambda t: np.exp(-(t**shape)), [time / 2, time]))
    share = -np.expm1(-(time**shape))
    assert share - 1e-7 <= found[1] <= share / (1 - share) * (1 + 1e-7) + 1e-7 if share < 1 else True
    assert found[0] <= found[1] + 1e-9


def units_of(ages: list[int]) -> pl.DataFrame:
    n = len(ages)
    return pl.DataFrame(
        {
            "site_id": [f"S{i}" for i in range(n)], "component": ["cartridge"] * n, "slot": [""] * n,
            "part_number": ["P"] * n, "age_days": ages, "survived_days": ages, "spent_seen": [False] * n,
            "life_row": range(n),
        },
        schema_overrides={"age_days": pl.Float64, "survived_days": pl.Float64},
    )  # fmt: skip


def forecast(units: pl.DataFrame, places: np.ndarray, visit_interval: float) -> DemandForecast:
    plans = units.select(
        "site_id", "component", "slot", visit_interval_days=pl.lit(visit_interval), every_n_visits=pl.lit(1),
        hard_limit_days=pl.lit(None, dtype=pl.Float64), next_visit_on=pl.lit(AS_OF + timedelta(days=30)),
    )  # fmt: skip
    location = np.repeat(places[:, None], 4, axis=1) + np.array([-0.1, 0.0, 0.05, 0.1])
    lives = LifeDraws(("weibull", "lognormal") * 2, location, np.full(4, 0.3), np.zeros_like(location))
    return monthly_demand(
        units=units, lives={"cartridge": lives}, announced={"cartridge": True}, plans=plans, as_of=AS_OF,
        lateness_days=10.0, replicates=40, seed=2,
    )  # fmt: skip


@settings(max_examples=15, deadline=None)
@given(st.permutations(range(6)), st.lists(st.integers(0, 200), min_size=6, max_size=6))
def test_the_order_of_the_records_changes_nothing(order: list[int], ages: list[int]) -> None:
    units, places = units_of(ages), np.linspace(4.5, 5.5, 6)
    turned = forecast(units[list(order)], places, 182.0)
    assert turned.stock.equals(forecast(units, places, 182.0).stock)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(0, 200), min_size=3, max_size=3))
def test_shorter_lives_never_call_out_less(ages: list[int]) -> None:
    units = units_of(ages)
    long, short = (forecast(units, np.full(3, place), 182.0).callouts.sum() for place in (5.6, 4.6))
    assert short > long


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(0, 100), min_size=3, max_size=3))
def test_lives_without_end_leave_only_the_planned_renewals(ages: list[int]) -> None:
    found = forecast(units_of(ages), np.full(3, 40.0), 91.0)
    assert found.callouts.sum() == 0
    assert (found.use.sum(axis=1) <= 3 * 5).all()  # visits on days 30, 121, 212, 303, 394 at most
