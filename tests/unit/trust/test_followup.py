"""What was learned of units since an origin, row by row, and what lives foretell of them."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.life.draws import LifeDraws
from fleetstats.trust.followup import FollowUp, follow_up
from fleetstats.trust.outlook import Outlook

ORIGIN = date(2023, 6, 1)


def held(site: str, age: float | None, survived: float | None = None, **state: Any) -> dict[str, Any]:
    fitted = None if age is None else ORIGIN - timedelta(days=int(age))
    return {
        "site_id": site, "slot": "", "fitted_on": fitted, "age_days": age,
        "survived_days": age if survived is None else survived, "spent_seen": False, "removed": False,
        "served": True,
    } | state  # fmt: skip


def spell(site: str, fitted: int, lower: float, upper: float) -> dict[str, Any]:
    return {
        "site_id": site, "slot": "", "fitted_on": ORIGIN + timedelta(days=fitted), "lower_days": lower,
        "upper_days": upper,
    }  # fmt: skip


def followed(
    units: list[dict[str, Any]], spells: list[dict[str, Any]], announced: bool = True, horizon: int = 182
) -> FollowUp:
    kinds = {"fitted_on": pl.Date, "age_days": pl.Float64, "survived_days": pl.Float64}
    later = pl.DataFrame(spells, schema_overrides={"lower_days": pl.Float64, "upper_days": pl.Float64})
    return follow_up(
        pl.DataFrame(units, schema_overrides=kinds), later, announced=announced, origin=ORIGIN,
        horizon_days=horizon,
    )  # fmt: skip


def test_an_announced_unit_failed_after_the_origin() -> None:
    found = followed([held("A", 100.0)], [spell("A", -100, 130.0, 130.0)])
    assert (found.since_days[0], found.lower_days[0], found.upper_days[0]) == (100.0, 130.0, 130.0)
    assert found.horizon_days.tolist() == [282.0]
    assert found.failed.tolist() == [True]
    assert found.unknown == 0


def test_a_hidden_unit_is_followed_from_its_last_look() -> None:
    found = followed([held("A", 100.0, 60.0)], [spell("A", -100, 60.0, 170.0)], announced=False)
    assert (found.since_days[0], found.lower_days[0], found.upper_days[0]) == (60.0, 60.0, 170.0)


def test_an_interval_that_began_before_the_origin_is_cut_at_what_was_known_there() -> None:
    found = followed([held("A", 100.0)], [spell("A", -100, 20.0, 170.0)])
    assert (found.lower_days[0], found.upper_days[0]) == (100.0, 170.0)


@pytest.mark.parametrize(
    "later",
    [
        [spell("A", -100, 100.0, np.inf)],  # came out at once, its end unknown
        [spell("A", -100, 40.0, np.inf)],  # known good at an earlier look only
        [spell("A", -100, 95.0, 95.0)],  # a late report of a failure before the origin
        [spell("B", -100, 130.0, 130.0)],  # another site
        [spell("A", -99, 130.0, 130.0)],  # another unit
    ],
)
def test_of_some_nothing_is_learned_and_they_are_counted(later: list[dict[str, Any]]) -> None:
    found = followed([held("A", 100.0)], later)
    assert found.row.size == 0
    assert found.unknown == 1


@pytest.mark.parametrize(
    "state", [{"removed": True}, {"served": False}, {"spent_seen": True}, {"age_days": None}]
)
def test_units_no_forecast_is_made_of_are_not_followed(state: dict[str, Any]) -> None:
    found = followed([held("A", 100.0) | state], [spell("A", -100, 130.0, 130.0)])
    assert found.row.size == 0
    assert found.unknown == 0


def test_spells_begun_since_are_followed_from_new_with_their_units_draws() -> None:
    found = followed(
        [held("B", 10.0), held("A", 100.0)],
        [spell("A", -100, 130.0, 130.0), spell("A", 30, 152.0, np.inf), spell("A", 182, 1.0, np.inf),
         spell("C", 30, 9.0, 9.0)],
    )  # fmt: skip
    assert found.site.tolist() == ["A", "A"]
    assert found.row.tolist() == [1, 1]
    assert found.since_days.tolist() == [100.0, 0.0]
    assert found.horizon_days.tolist() == [282.0, 152.0]
    assert found.unknown == 1


def lives() -> LifeDraws:
    location = np.log([[100.0, 200.0], [300.0, 300.0]])
    return LifeDraws(("exponential", "weibull"), location, np.array([1.0, 0.5]), np.zeros_like(location))


def test_chances_by_hand() -> None:
    outlook = Outlook(lives(), np.array([0.0, 50.0]))
    age = np.array([100.0, 350.0])
    # Draw 1: exp(-t / 100), exp(-t / 300); draw 2: exp(-(t / 200)^2), exp(-(t / 300)^2).
    one = (np.exp(-1.0) + np.exp(-0.25)) / 2
    two = (np.exp(-1.0) + np.exp(-(350**2 - 50**2) / 300**2)) / 2
    np.testing.assert_allclose(outlook.chance(age), [1 - one, 1 - two])
    np.testing.assert_allclose(outlook.hazard(age), -np.log([one, two]))
    np.testing.assert_allclose(outlook.hazard_draws(age), [[1.0, 0.25], [1.0, 120_000 / 90_000]])


def test_probability_of_what_was_seen_adds_up_to_one() -> None:
    outlook = Outlook(lives(), np.array([0.0, 50.0]))
    since = outlook.since_days
    pieces = [outlook.log_probability(since + d, since + d) for d in range(1, 41)]  # forty single days
    pieces.append(outlook.log_probability(since + 40, since + 90))
    pieces.append(outlook.log_probability(since + 90, np.full(2, np.inf)))
    np.testing.assert_allclose(np.exp(pieces).sum(axis=0), 1.0)


def test_an_outcome_deep_in_the_tail_is_scored_not_clipped() -> None:
    location = np.log(np.array([[100.0]]))
    sure = LifeDraws(("weibull",), location, np.array([0.1]), np.zeros_like(location))
    found = Outlook(sure, np.array([0.0])).log_probability(np.array([200.0]), np.array([np.inf]))
    assert found[0] == pytest.approx(-(2.0**10))
