"""The replay on a history whose truth is known: it believes the truth and finds out what is not."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.tables import TABLES
from fleetstats.trust import Origin, Replay, Rivals, replay

from .conftest import START, History

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("replay")

ANNOUNCED = {"cartridge": True, "sleeve": False}
DAYS = (900, 1300, 1700)
HORIZONS = (182, 365)


def origins(history: History) -> list[Origin]:
    return [
        Origin(
            origin=START + timedelta(days=day),
            in_place=history.known_at(day)[0],
            spells_after={horizon: history.known_at(day + horizon)[1] for horizon in HORIZONS},
        )
        for day in DAYS
    ]


def run(history: History, shift: float = 0.0) -> Replay:
    def learn(origin: date, component: str, units: pl.DataFrame) -> Rivals:
        return Rivals(
            model=history.draws(units, shift=shift),
            cohort=history.draws(units, own=0.5),
            fleet=history.draws(units, own=0.0),
        )

    return replay(origins(history), learn=learn, announced=ANNOUNCED)


@pytest.fixture(scope="module")
def truth(history: History) -> Replay:
    return run(history)


def test_a_row_for_each_origin_component_and_horizon(truth: Replay) -> None:
    assert truth.scores.schema == TABLES["replay"].of().schema
    assert truth.scores.height == 3 * 2 * 2
    assert truth.scores.null_count().sum_horizontal().item() == 0
    assert truth.calibration.height == 12 * 10
    by_group = truth.calibration.group_by("origin", "component", "horizon_days").agg(
        pl.col("units", "failures").sum()
    )
    same = by_group.join(truth.scores, on=["origin", "component", "horizon_days"])
    assert (same["units"] == same["units_right"]).all()
    assert (same["failures"] == same["failures_right"]).all()


def test_the_truth_is_believed(truth: Replay) -> None:
    # Units replaced before their time must not bias the count: expected and seen agree in each cell within
    # four Poisson standard errors, and in nearly all within the 90 % range.
    scores = truth.scores
    gap = (scores["failures"] - scores["expected_failures"]) / scores["expected_failures"].sqrt()
    assert gap.abs().max() < 4
    inside = (scores["failures"] >= scores["expected_low"]) & (scores["failures"] <= scores["expected_high"])
    assert inside.mean() >= 0.8
    assert 0.82 <= truth.calibration["agrees"].mean() <= 0.98
    assert scores["coverage"].mean() == pytest.approx(truth.calibration["agrees"].mean())
    total = scores["failures"].sum() / scores["expected_failures"].sum()
    assert total == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("shift", [-0.25, 0.25])
def test_lives_too_short_or_too_long_are_found_out(history: History, truth: Replay, shift: float) -> None:
    wrong = run(history, shift)
    scores = wrong.scores
    ratio = scores["failures"].sum() / scores["expected_failures"].sum()
    assert (ratio < 0.75) if shift < 0 else (ratio > 1.3)
    assert scores["coverage"].mean() < 0.7
    assert (scores["log_score"] < truth.scores["log_score"]).all()


def test_knowing_the_sites_scores_better_than_not(truth: Replay) -> None:
    scores = truth.scores
    over_fleet, over_cohort = (scores["log_score"] - scores[f"log_score_{k}"] for k in ("fleet", "cohort"))
    assert (over_fleet > 2 * scores["gain_fleet_se"]).all()
    assert (over_fleet > over_cohort).all()
    assert (over_cohort > 0).all()


def test_leaving_out_what_was_replaced_early_would_have_misled(history: History) -> None:
    # The reason for counting by follow-up: of the outcomes fully known at a horizon, too many are failures.
    horizon, seen, foretold, variance = 120, 0, 0.0, 0.0
    for day in DAYS:
        units = history.known_at(day)[0].filter(component="cartridge")
        later = history.known_at(day + horizon)[1]
        both = units.join(later, on=["site_id", "component", "slot", "fitted_on"], maintain_order="left")
        age, end = both["age_days"].to_numpy(), both["age_days"].to_numpy() + horizon
        failed = both["upper_days"].is_finite().to_numpy()
        known = failed | (both["lower_days"].to_numpy() >= end)
        chance = 1 - history.draws(both).conditional_survival(end, age)
        seen += failed[known].sum()
        foretold += chance[known].sum()
        variance += (chance * (1 - chance))[known].sum()
    assert seen - foretold > 3 * np.sqrt(variance)


def test_standard_error_of_the_gain_is_that_of_sites(history: History) -> None:
    # By halves of the fleet: two gains from different sites differ by about sqrt(2) of a half's error.
    gains, errors = [], []
    for odd in (0, 1):
        half = History([s for s in history.spells if int(s.site[1:]) % 2 == odd], history.log_life)
        scores = run(half).scores
        gains.append((scores["log_score"] - scores["log_score_fleet"]).to_numpy())
        errors.append(scores["gain_fleet_se"].to_numpy())
    z = (gains[0] - gains[1]) / np.hypot(*errors)
    assert np.sqrt(np.mean(z**2)) < 2.0
    assert np.sqrt(np.mean(z**2)) > 0.2


def test_wider_parameters_widen_the_range_foretold(history: History) -> None:
    def learner(noise: float) -> Callable[[date, str, pl.DataFrame], Rivals]:
        def learn(origin: date, component: str, units: pl.DataFrame) -> Rivals:
            lives = history.draws(units, noise=noise)
            return Rivals(lives, lives, lives)

        return learn

    sure, unsure = (
        replay(origins(history), learn=learner(noise), announced=ANNOUNCED).scores for noise in (0.0, 0.2)
    )
    width = [s["expected_high"] - s["expected_low"] for s in (sure, unsure)]
    assert (width[1] > 2 * width[0]).all()


def test_nothing_to_follow_gives_no_row(history: History) -> None:
    empty = Origin(START, history.known_at(900)[0].clear(), {182: history.known_at(900)[1].clear()})

    def learn(origin: date, component: str, units: pl.DataFrame) -> Rivals:
        raise AssertionError("there is nothing to learn for")

    found = replay([empty], learn=learn, announced=ANNOUNCED)
    assert found.scores.height == 0
    assert found.scores.schema == TABLES["replay"].of().schema
