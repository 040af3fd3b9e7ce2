"""What holds an interval: the limit, decision, neighbour or bound that is named, case by case."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fleetstats.advice.binding import Choice, name_held
from fleetstats.advice.limits import HARD, LIMITS, Limits

NAN, INF = float("nan"), float("inf")


def named(
    *, pin: float = INF, visit: float = 84.0, n: int = 1, free: float = 119.0, undecided: float | None = None,
    closer: float | None = None, alone: float | None = None, most: float = INF, own_most: float = INF, here: bool = True,
    limit: tuple[str, float] | None = None, of_site: tuple[str, float] | None = None,
    unmet: bool = False, impossible: bool = False, uv: bool = False,
) -> str:  # fmt: skip
    """Return what holds the first of two units at one site; `of_site` is a limit of the second."""
    unit, of_visit = np.full((2, len(LIMITS)), INF), np.full((2, len(LIMITS)), INF)
    for row, bound in enumerate((limit, of_site)):
        if bound is not None:
            unit[row, LIMITS.index(bound[0])] = bound[1]
    two = np.full(2, INF)
    limits = Limits(unit, of_visit, two, ("", ""), two, np.full(2, impossible))

    def both(value: float) -> np.ndarray:
        return np.full(2, value)

    choice = Choice(
        visit_days=both(visit), every_n=np.full(2, n), free_visit_days=both(free), free_days=both(free * n),
        undecided_visit_days=both(visit if undecided is None else undecided),
        alone_visit_days=both(visit if alone is None else alone),
        closer_visit_days=both(visit if closer is None else closer), pin=both(pin), most_days=both(most),
        own_most_days=both(own_most), decided_here=np.full(2, here), of_uv_unit=np.full(2, uv),
    )  # fmt: skip
    return name_held(limits, np.full(2, unmet), choice, site=np.zeros(2, np.int64))[0]


@pytest.mark.parametrize(
    ("case", "name"),
    [
        ({}, "cost"),
        ({"pin": 84.0}, "decision"),
        ({"pin": 84.0, "here": False}, "shared_trip"),  # pinned at the neighbour's
        ({"pin": 90.0}, "decision"),  # rounded down to whole weeks, not cut
        ({"pin": 91.0}, "shared_trip"),  # a week less than pinned, and no limit says so
        ({"pin": 91.0, "limit": ("rated_life", 90.0)}, "rated_life"),
        ({"pin": 119.0, "limit": ("ceiling", 84.0)}, "ceiling"),
        ({"pin": 200.0, "visit": 168.0, "of_site": ("ceiling", 168.0)}, "ceiling"),  # another part's limit
        ({"pin": 84.0, "limit": ("rated_life", 84.0)}, "rated_life"),
        ({"pin": 84.0, "limit": ("beyond_records", 84.0)}, "decision"),  # a decision wins over a soft limit
        ({"pin": 84.0, "limit": ("failure_chance", 84.0)}, "decision"),
        ({"pin": 84.0, "limit": ("failure_chance", 84.0), "uv": True}, "failure_chance"),  # it holds there
        ({"pin": 168.0, "of_site": ("failure_chance", 90.0), "uv": True}, "failure_chance"),
        (
            {"pin": 168.0, "of_site": ("failure_chance", 90.0)},
            "shared_trip",
        ),  # of a cartridge it would not cut
        ({"pin": 84.0, "unmet": True}, "decision"),
        ({"pin": 84.0, "unmet": True, "impossible": True}, "cannot_be_met"),
    ],
)
def test_a_pinned_interval_is_named_unless_a_hard_limit_holds_or_cuts_it(
    case: dict[str, Any], name: str
) -> None:
    assert named(**case) == name


@pytest.mark.parametrize(
    ("case", "name"),
    [
        ({"undecided": 119.0}, "decision"),
        ({"undecided": 126.0, "visit": 119.0}, "decision"),  # whatever lies between
        ({"undecided": 63.0, "free": 63.0}, "decision"),
        ({"undecided": 119.0, "here": False}, "shared_trip"),
        ({"undecided": 84.0}, "cost"),  # a refusal that changes nothing
        ({"undecided": 119.0, "limit": ("ceiling", 84.0)}, "ceiling"),
        ({"undecided": 119.0, "unmet": True}, "cannot_be_met"),
    ],
)
def test_a_refusal_is_named_where_the_plan_without_it_would_be_another(
    case: dict[str, Any], name: str
) -> None:
    assert named(**case) == name


@pytest.mark.parametrize(
    ("case", "name"),
    [
        ({"most": 84.0}, "shared_trip"),
        ({"most": 90.0}, "shared_trip"),
        ({"most": 91.0}, "cost"),  # a week more was allowed and not chosen
        ({"most": 84.0, "own_most": 84.0}, "cost"),  # no stricter than its own
        ({"most": 84.0, "free": 84.0}, "cost"),  # cost alone would choose no longer
        ({"most": 84.0, "limit": ("ceiling", 90.0)}, "ceiling"),
        ({"alone": 168.0}, "shared_trip"),  # by itself the site would be visited half as often
        ({"alone": 168.0, "limit": ("ceiling", 130.0)}, "shared_trip"),  # which would bind later
        ({"alone": 168.0, "limit": ("ceiling", 90.0)}, "ceiling"),
    ],
)
def test_a_neighbours_limit_is_named_where_it_holds_the_trip(case: dict[str, Any], name: str) -> None:
    assert named(**case) == name


@pytest.mark.parametrize(
    ("case", "name"),
    [
        ({"visit": 56.0, "closer": 35.0}, "shortest_visit"),
        ({"visit": 56.0}, "cost"),
        ({"visit": 56.0, "closer": 35.0, "n": 2}, "cost"),  # only what every visit renews
        ({"visit": 56.0, "closer": 35.0, "limit": ("ceiling", 56.0)}, "ceiling"),
    ],
)
def test_the_shortest_visits_looked_at_are_named_where_closer_ones_would_cost_less(
    case: dict[str, Any], name: str
) -> None:
    assert named(**case) == name


@pytest.mark.parametrize(
    ("case", "name"),
    [
        ({"visit": 56.0, "n": 4, "free": 98.0}, "fourth_visit"),  # cost alone would leave it in 392 days
        ({"visit": 56.0, "n": 4, "free": 56.0}, "cost"),
        ({"visit": 56.0, "n": 3, "free": 98.0}, "cost"),
        ({"visit": 56.0, "n": 4, "free": 98.0, "limit": ("rated_life", 270.0)}, "rated_life"),
    ],
)
def test_every_fourth_visit_is_named_where_limits_and_cost_would_leave_it_in_longer(
    case: dict[str, Any], name: str
) -> None:
    assert named(**case) == name


def test_hard_limits_are_the_first_six() -> None:
    assert LIMITS[:HARD] == (
        "failed_sample",
        "open_alarm",
        "rated_life",
        "site_limit",
        "local_rule",
        "ceiling",
    )
