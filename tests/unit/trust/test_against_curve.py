"""Failures seen against those foretold: by hand, and in invented lives with and without early deaths."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.life.draws import LifeDraws
from fleetstats.trust.against_curve import ALIKE, FEWER, MORE, by_calendar, early_deaths, watched

START = date(2023, 1, 1)


def exponential(days: float, n: int) -> LifeDraws:
    """Lives with a hazard of 1/days at every age, whatever is drawn."""
    place = np.full((n, 4), np.log(days))
    return LifeDraws(("weibull",) * 4, place, np.ones(4), np.zeros_like(place))


def spells(*rows: tuple[int, float, float, float]) -> pl.DataFrame:
    """Return spells: day fitted from START, entry, lower, upper."""
    return pl.DataFrame(
        [(START + timedelta(days=day), entry, low, high) for day, entry, low, high in rows],
        schema=["fitted_on", "entry_days", "lower_days", "upper_days"],
        orient="row",
    )


def test_early_and_late_by_hand() -> None:
    # one fails at 10, one is watched to 100, one from 40 to 90 and fails: with a hazard of 1/1000 a day
    frame = spells((0, 0, 10, 10), (0, 0, 100, np.inf), (0, 40, 90, 90))
    early, late = early_deaths(watched("lamp", frame, exponential(1000, 3))).rows(named=True)
    assert (early["from_days"], early["to_days"], late["to_days"]) == (0.0, 60.0, None)
    assert early["expected"] == pytest.approx((10 + 60 + 20) / 1000)
    assert late["expected"] == pytest.approx((40 + 30) / 1000)
    assert (early["failures"], late["failures"]) == (1, 1)
    assert (early["spells"], late["spells"]) == (3, 2)
    # exact Poisson range of one failure, 90 %: 0.0513 and 4.744 (Garwood 1936; table value, memory)
    assert early["ratio_low"] * early["expected"] == pytest.approx(0.0513, abs=5e-5)
    assert early["ratio_high"] * early["expected"] == pytest.approx(4.744, abs=5e-4)


def test_a_failure_known_to_an_interval_is_dated_at_its_middle() -> None:
    seen = watched("lamp", spells((0, 0, 40, 70)), exponential(1000, 1))
    early, late = early_deaths(seen).rows(named=True)
    assert (early["failures"], late["failures"]) == (1, 0)
    assert early["expected"] == pytest.approx(55 / 1000)


def test_calendar_by_hand() -> None:
    # fitted on 1 January 2023; one fails on 10 February (age 40), the other lasts into 2024 (age 400)
    years, months = by_calendar(
        watched("lamp", spells((0, 0, 40, 40), (0, 0, 400, np.inf)), exponential(1000, 2)),
        first=START,
        last=START + timedelta(days=420),
    )
    assert years["year"].to_list() == [2023, 2024]
    assert years["expected"].to_numpy() == pytest.approx([(40 + 365) / 1000, 35 / 1000])
    assert years["failures"].to_list() == [1, 0]
    assert years["spells"].to_list() == [2, 1]
    february = months.filter(pl.col("month") == 2).row(0, named=True)
    assert february["expected"] == pytest.approx((9 + 28 + 4) / 1000)  # ages 31-40, 31-59, 396-400
    assert february["failures"] == 1
    assert months["expected"].sum() == pytest.approx(years["expected"].sum())


def test_weak_lamps_show_and_sound_ones_do_not() -> None:
    stream = np.random.default_rng(1)
    n = 3000
    ageing = 400 * stream.weibull(6, n)
    weak = np.where(stream.random(n) < 0.02, stream.exponential(20, n), np.inf)
    place = np.full((n, 4), np.log(400.0))
    lives = LifeDraws(("weibull",) * 4, place, np.full(4, 1 / 6), np.zeros_like(place))
    for days, finding in ((ageing, ALIKE), (np.minimum(ageing, weak), MORE)):
        end = np.minimum(days, 365)
        frame = spells(*((0, 0, t, t if t < 365 else np.inf) for t in end))
        early = early_deaths(watched("lamp", frame, lives)).row(0, named=True)
        assert early["finding"] == finding


def test_a_drought_year_shows() -> None:
    stream = np.random.default_rng(2)
    rows = []
    for day in range(0, 1095, 1):
        life = stream.exponential(300 if day // 365 == 1 else 100)
        rows.append((day, 0.0, min(life, 30.0), life if life < 30 else np.inf))
    years, _ = by_calendar(
        watched("lamp", spells(*rows), exponential(100, len(rows))), first=START, last=date(2026, 1, 31)
    )
    told = {row["year"]: row for row in years.iter_rows(named=True)}
    assert told[2024]["finding"] == FEWER
    assert told[2024]["ratio_low"] < 1 / 3 < told[2024]["ratio_high"]
    # January 2025 still holds spells of the drought, so that year is a little below 1
    assert told[2023]["finding"] == ALIKE
    assert told[2025]["ratio_high"] > 0.9
