"""What the cost functions refuse, and the shapes they return."""

from __future__ import annotations

import numpy as np
import pytest

from fleetstats.advice import age_cost, best_age, best_hidden_age, hidden_cost
from fleetstats.errors import AdviceError


def survival(ages: np.ndarray) -> np.ndarray:
    return np.exp(-((ages / 200) ** 2))


def test_ages_keep_their_order_and_shape() -> None:
    ages = np.array([[300.0, 100.0], [100.0, 50.0]])
    costs = age_cost(survival, ages, 45, 345)
    assert costs.shape == (2, 2)
    assert costs[0, 1] == costs[1, 0] == pytest.approx(age_cost(survival, 100.0, 45, 345), rel=1e-12)
    assert isinstance(hidden_cost(survival, 100, 20, 1.5), float)


@pytest.mark.parametrize("age", [0.0, -3.0, np.nan, np.inf])
def test_an_age_that_cannot_be_is_refused(age: float) -> None:
    with pytest.raises(AdviceError, match="renewal age: found"):
        age_cost(survival, [100.0, age], 45, 345)


def test_costs_that_cannot_be_are_refused() -> None:
    with pytest.raises(AdviceError, match=r"planned: found 0; accepted is a finite number above 0"):
        best_age(survival, 0, 345, 365)
    with pytest.raises(AdviceError, match="ceiling"):
        best_age(survival, 45, 345, np.inf)
    with pytest.raises(AdviceError, match="per_hidden_day: found -1"):
        best_hidden_age(survival, 20, -1, 182)


def test_a_survival_of_the_wrong_shape_is_refused() -> None:
    with pytest.raises(AdviceError, match="one share for each age"):
        age_cost(lambda ages: np.ones(3), 100.0, 45, 345)


def test_candidate_lives_may_number_as_many_as_wanted() -> None:
    both = best_age(lambda ages: np.stack([survival(ages)] * 3), 45, 345, 1000)
    assert both.age_days == pytest.approx(best_age(survival, 45, 345, 1000).age_days, rel=1e-9)
