"""The visit rule is one rule: due list, forecast and a plain loop over days renew the same units.

The loop is that of the hidden truth, which shares no line with the rule of the advice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import ComponentTerms, due_list
from fleetstats.advice.visit_rule import past_interval, past_limit
from fleetstats.sample.wear import SEDIMENT, SLEEVE
from fleetstats.stock.visit_walk import Periods, Units, count_renewals
from tests.hidden_truth.truth import Paths
from tests.hidden_truth.visit_rule import simulate

START = date(2024, 1, 1)
VISITS, UNITS, LIVES = 9, 40, 60
NAME = "sediment_cartridge"


@dataclass
class Plans:
    """Units that go in new on day 0, each at a site of its own, and the lives of those that follow."""

    visit: int
    every_n: np.ndarray
    hard: np.ndarray
    lives: np.ndarray  # (units, LIVES)


def plans(seed: int) -> Plans:
    rng = np.random.default_rng(seed)
    visit = 7 * int(rng.integers(3, 20))
    every_n = rng.integers(1, 5, UNITS)
    # a limit may fall on the very day of a visit, a day before it or after
    hard = visit * rng.integers(1, 5, UNITS) + rng.integers(-1, 3, UNITS)
    hard = np.where(rng.random(UNITS) < 0.3, np.inf, np.maximum(hard, visit))
    lives = rng.integers(5, int(visit * rng.uniform(0.8, 6.0)), (UNITS, LIVES))
    return Plans(visit, every_n, hard, lives.astype(np.float64))


def by_the_loop(case: Plans, days: int, *, announced: bool) -> tuple[np.ndarray, np.ndarray]:
    """Renewals at visits and call-outs of each unit over so many days, by the loop of the sample."""
    unit = SEDIMENT if announced else SLEEVE
    strengths = np.full((LIVES, 5, UNITS), 1e9, np.float32)
    strengths[:, unit] = case.lives.T
    wear = np.zeros((days, 5, UNITS), np.float32)
    wear[:, unit] = 1.0
    has = np.zeros((5, UNITS), bool)
    has[unit] = True
    found = simulate(
        Paths(wear, np.zeros((days, UNITS), np.float32), strengths, 1),
        interval_steps=np.full((UNITS, 1), case.visit),
        every_n=np.broadcast_to(case.every_n[:, None], (5, UNITS, 1)),
        hard_limit_days=np.broadcast_to(case.hard[:, None], (5, UNITS, 1)),
        has=has,
        delay_days=np.zeros((5, UNITS)),
    )
    return found.planned[unit, :, 0].astype(int), found.unplanned[unit, :, 0].astype(int)


class GivenLives:
    """The lives of the plans, one after another."""

    replicates = 1

    def __init__(self, lives: np.ndarray) -> None:
        self.lives, self.at = lives, np.zeros(len(lives), np.intp)

    def given(self, row: np.ndarray, *_: object) -> np.ndarray:
        return self.lives[row, 0]

    def fresh(self, row: np.ndarray, *_: object) -> np.ndarray:
        self.at[row] += 1
        return self.lives[row, self.at[row]]


def by_the_walk(case: Plans, days: int, *, announced: bool) -> tuple[np.ndarray, np.ndarray]:
    """The same by the walk of the forecast."""
    each = np.arange(UNITS)
    units = Units(
        site=each, part=each, announced=announced, age_days=np.zeros(UNITS), lasted_days=np.zeros(UNITS),
        spent=np.zeros(UNITS, bool), first_visit=np.full(UNITS, float(case.visit)),
        visit_interval=np.full(UNITS, float(case.visit)), interval=case.every_n * float(case.visit),
        hard_limit=case.hard,
    )  # fmt: skip
    counts = count_renewals(
        units, GivenLives(case.lives), lateness=np.zeros((UNITS, VISITS + 2, 1), np.int16),
        periods=Periods(np.array([1.0, days + 1.0])), parts=UNITS, seed=[0],
    )  # fmt: skip
    return counts.at_visits[:, 0, 0], counts.at_callouts[:, 0, 0]


def by_the_due_list(case: Plans) -> np.ndarray:
    """Renewals at each visit by the due lists made on the days of the visits, (visits, units)."""
    names = [f"S{number:02d}" for number in range(UNITS)]
    key = {"site_id": names, "component": NAME, "slot": ""}
    limits = pl.Series(np.where(np.isfinite(case.hard), case.hard, np.nan)).fill_nan(None)
    intervals = pl.DataFrame(key).with_columns(
        visit_interval_days=case.visit, every_n_visits=case.every_n, hard_limit_days=limits,
        interval_days=case.every_n * case.visit, deadline_days=limits, deadline=pl.lit("ceiling"),
        visit_deadline_days=pl.lit(None, pl.Float64), current_interval_days=182.0,
    )  # fmt: skip
    sites = pl.DataFrame({"site_id": names}).with_columns(
        served=True, failed_sample_open=False, open_alarm=False, first_visit_on=START
    )
    fitted, at, found = np.zeros(UNITS), np.zeros(UNITS, np.intp), []
    for number in range(1, VISITS + 1):
        today = number * case.visit
        while (gone := fitted + case.lives[np.arange(UNITS), at] <= today).any():
            fitted = np.where(gone, fitted + case.lives[np.arange(UNITS), at], fitted)
            at += gone
        units = pl.DataFrame(key).with_columns(
            part_number=pl.lit(None, pl.String), survived_days=0.0, spent_seen=False, removed=False,
            life_row=pl.lit(None, pl.Int64), fitted_on=pl.Series([START + timedelta(int(day)) for day in fitted]),
        )  # fmt: skip
        last = pl.lit(START + timedelta(today - case.visit))
        as_of = START + timedelta(today)
        due = due_list(
            sites=sites, units=units, intervals=intervals, lives={}, components={NAME: ComponentTerms(NAME)},
            visits=sites.select("site_id", visit_date=last, visit_reason=pl.lit("routine")), as_of=as_of,
        ).sort("site_id")  # fmt: skip
        # a visit without work waits: nothing is renewed on its day
        done = ((due["action"] != "inspect") & (due["visit_from"] == as_of)).to_numpy()
        idle = due.filter(pl.Series(~done))
        assert (idle["visit_from"] > as_of).all()
        assert (idle["moved"] == "nothing_due").all()
        fitted, at = np.where(done, today, fitted), at + done
        found.append(done)
    return np.array(found)


@pytest.mark.parametrize("seed", range(12))
def test_due_list_forecast_and_plain_loop_renew_the_same_units(seed: int) -> None:
    case = plans(seed)
    due = by_the_due_list(case)
    for number in range(1, VISITS + 1):
        planned, called = by_the_loop(case, number * case.visit, announced=True)
        walked = by_the_walk(case, number * case.visit, announced=True)
        np.testing.assert_array_equal(walked[0], planned)
        np.testing.assert_array_equal(walked[1], called)
        np.testing.assert_array_equal(due[:number].sum(axis=0), planned)
    assert planned.sum() > UNITS
    assert called.sum() > UNITS / 4


@pytest.mark.parametrize("seed", range(12))
def test_forecast_and_plain_loop_renew_the_same_hidden_units(seed: int) -> None:
    case = plans(seed)
    for number in range(1, VISITS + 1):
        planned, _ = by_the_loop(case, number * case.visit, announced=False)
        np.testing.assert_array_equal(by_the_walk(case, number * case.visit, announced=False)[0], planned)
    assert planned.sum() > UNITS


@pytest.mark.parametrize(
    ("age", "limit", "past"),
    [(10, 100, False), (11, 100, True), (10.9, 100, False), (11, 100.5, True), (10, 99.5, True), (10, np.inf, False)],
)  # fmt: skip
def test_a_hard_limit_is_passed_on_the_first_whole_day_beyond_it(
    age: float, limit: float, past: bool
) -> None:
    assert past_limit(age, to_next=90, limit=limit) == past


def test_numbers_arrays_and_expressions_get_the_same_answers() -> None:
    rng = np.random.default_rng(4)
    rows = {name: rng.integers(1, 40, 500) / 2 for name in ("age", "visit", "interval", "limit")}
    frame = pl.DataFrame(rows)
    for rule, names in ((past_interval, ("visit", "interval")), (past_limit, ("visit", "limit"))):
        terms = [name if name != "visit" or rule is past_interval else "to_next" for name in names]
        of_arrays = rule(rows["age"], **dict(zip(terms, (rows[name] for name in names), strict=True)))
        of_columns = frame.select(
            out=rule(pl.col("age"), **dict(zip(terms, map(pl.col, names), strict=True)))
        )["out"]
        of_numbers = [
            rule(row["age"], **dict(zip(terms, (row[name] for name in names), strict=True)))
            for row in frame.iter_rows(named=True)
        ]
        np.testing.assert_array_equal(of_arrays, of_columns.to_numpy())
        np.testing.assert_array_equal(of_arrays, of_numbers)
        assert 0 < of_arrays.sum() < 500
