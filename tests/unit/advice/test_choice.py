"""The choice among priced plans, on tables of costs that can be read off."""

from __future__ import annotations

import numpy as np
import pytest

from fleetstats.advice.choice import (
    Chosen,
    PricedPlans,
    allowed_visits,
    allowed_weeks,
    cheapest,
    closer_plan,
    preferred,
)

WEEKS = np.array([13, 26, 39])


def plans(costs: list, trips: list, address: list) -> PricedPlans:
    """Costs of each unit by week and n (n = 1, 2; 3 and 4 are dear)."""
    unit = np.full((len(costs), 3, 4), 1e4)
    unit[:, :, :2] = costs
    return PricedPlans(WEEKS, unit, np.array(trips, dtype=float), np.array(address))


def everything(priced: PricedPlans) -> tuple[np.ndarray, np.ndarray]:
    return np.ones(priced.trip_cost.shape, dtype=bool), np.ones(priced.unit_cost.shape, dtype=bool)


def test_the_cheapest_weighs_all_units_and_the_trip() -> None:
    priced = plans([[[9, 5], [4, 8], [7, 7]], [[3, 9], [9, 9], [6, 8]]], [[6, 3, 2]], [0, 0])
    # 13 weeks: 5 + 3 + 6 = 14; 26: 4 + 9 + 3 = 16; 39: 7 + 6 + 2 = 15
    chosen = cheapest(priced, *everything(priced))
    assert chosen.week_at.tolist() == [0]
    assert chosen.every_n.tolist() == [2, 1]


def test_near_equal_plans_give_way_to_the_customary_then_to_the_plainest() -> None:
    priced = plans(
        [[[500, 400], [450, 900], [900, 900]], [[500, 900], [460, 900], [900, 900]]], [[0, 0, 0]], [0, 0]
    )
    # 13 weeks every 2nd and every visit: 900; 26 weeks, every visit: 910, within 2 %
    free = {"customary_days": np.array([91.0 * 5, 91.0 * 5])}
    assert cheapest(priced, *everything(priced)).week_at.tolist() == [0]
    plain = preferred(priced, *everything(priced), **free)
    assert (plain.week_at.tolist(), plain.every_n.tolist()) == ([1], [1, 1])
    customary = preferred(priced, *everything(priced), customary_days=np.array([182.0, 91.0]))
    assert (customary.week_at.tolist(), customary.every_n.tolist()) == ([0], [2, 1])


def test_a_plan_more_than_two_percent_dearer_is_not_preferred() -> None:
    priced = plans([[[900, 900], [930, 900], [950, 950]]], [[0, 0, 0]], [0])
    chosen = preferred(priced, *everything(priced), customary_days=np.array([273.0]))
    assert chosen.week_at.tolist() != [2]


def test_visit_intervals_stay_within_the_limit_and_fall_below_the_shortest_only_for_it() -> None:
    weeks = np.arange(1, 53)
    allowed = allowed_weeks(
        weeks=weeks, most_days=np.array([np.inf, 180.0, 30.0, 3.0]), shortest_days=56, longest_days=364
    )
    held = [weeks[row].tolist() for row in allowed]
    assert held[0] == list(range(8, 53))
    assert held[1] == list(range(8, 26))
    assert held[2:] == [[4], [1]]


def test_units_that_keep_todays_rule_take_the_most_visits_within_it() -> None:
    allowed = allowed_visits(
        weeks=WEEKS, limit_days=np.array([182.0, 182.0]), longest_only=np.array([False, True])
    )
    assert allowed[0].tolist() == [[True, True, False, False], [True, False, False, False], [False] * 4]
    assert allowed[1].tolist() == [[False, True, False, False], [True, False, False, False], [False] * 4]


@pytest.mark.parametrize("beyond", [np.inf, np.nan, 1.5e308])
def test_costs_beyond_all_measure_leave_the_choice_among_the_allowed_plans(beyond: float) -> None:
    priced = plans([[[beyond, beyond], [beyond, beyond], [5, 5]]], [[beyond, beyond, 0]], [0])
    weeks = np.array([[False, True, False]])
    visits = np.zeros((1, 3, 4), dtype=bool)
    visits[0, :, 0] = True
    for chosen in (
        cheapest(priced, weeks, visits),
        preferred(priced, weeks, visits, customary_days=np.array([182.0])),
        preferred(priced, weeks, visits, customary_days=np.array([7.0])),
    ):
        assert (chosen.week_at.tolist(), chosen.every_n.tolist()) == ([1], [1])


def test_closer_plans_are_sought_below_the_shortest_looked_at_and_below_the_plan() -> None:
    """Weeks 13, 26, 39 of one unit without trips; the shortest looked at is 39 weeks."""

    def closer(costs: list[int], chosen: int, *, fixed: bool = False) -> int:
        priced = plans([[[cost, 9_000] for cost in costs]], [[0, 0, 0]], [0])
        plan = Chosen(np.array([chosen]), np.array([1]))
        found = closer_plan(priced, everything(priced)[1], plan, shortest_days=273.0, fixed=np.array([fixed]))
        return int(WEEKS[found.week_at[0]])

    assert closer([700, 600, 800], 2) == 26
    assert closer([700, 600, 800], 2, fixed=True) == 39
    assert closer([900, 785, 800], 2) == 39  # 1.9 % cheaper
    assert closer([900, 784, 800], 2) == 26  # 2.04 %
    assert closer([900, 600, 800], 0) == 13  # a limit holds it there: only what is closer still counts
    assert closer([500, 600, 800], 1) == 13
