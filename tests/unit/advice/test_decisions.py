"""Decisions on intervals: which is in force, and what it leaves of the choice."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.advice.decisions import by_address, decisions_in_force, wished_weeks

AS_OF = date(2025, 6, 30)
NAN, INF = float("nan"), float("inf")
WEEKS = np.arange(4, 13)  # 28 to 84 days


def in_force(*rows: tuple[str, int, str, float | None], today: float = 182.0) -> dict[str, dict[str, Any]]:
    """Decisions as (site, days ago, word, interval), what is in force at each site."""
    frame = pl.DataFrame(
        [(site, AS_OF - timedelta(days=ago), word, days) for site, ago, word, days in rows],
        schema={"site_id": pl.String, "decided_on": pl.Date, "decision": pl.String,
                "visit_interval_days": pl.Float64}, orient="row",
    )  # fmt: skip
    sites = pl.DataFrame({"site_id": ["a", "b"], "current_visit_days": [today, 91.0]})
    found = decisions_in_force(sites=sites, decisions=frame, as_of=AS_OF)
    return {row["site_id"]: row for row in found.iter_rows(named=True)}


def wishes(row: dict[str, Any]) -> tuple[float | None, float | None, float | None]:
    return row["pinned_days"], row["no_longer_days"], row["no_shorter_days"]


@pytest.mark.parametrize(
    ("word", "days", "wished"),
    [
        ("accepted", 119.0, (119.0, None, None)),
        ("trial", 119.0, (119.0, None, None)),
        ("refused", 273.0, (None, 182.0, None)),  # longer than today's: no longer than today's
        ("refused", 91.0, (None, None, 182.0)),  # shorter: no shorter
        ("refused", 182.0, (None, None, None)),
        ("refused", None, (None, None, None)),
        ("accepted", None, (None, None, None)),
    ],
)
def test_what_a_decision_leaves_of_the_choice(
    word: str, days: float | None, wished: tuple[float | None, ...]
) -> None:
    row = in_force(("a", 10, word, days))["a"]
    assert wishes(row) == wished
    assert (row["decision"], row["decided_interval_days"]) == (word, days)


def test_a_later_decision_replaces_an_earlier_one_and_one_to_come_is_not_yet_in_force() -> None:
    found = in_force(
        ("a", 50, "accepted", 119.0), ("a", 10, "refused", 273.0), ("a", -1, "accepted", 70.0), ("b", 0, "trial", 63.0)
    )  # fmt: skip
    assert wishes(found["a"]) == (None, 182.0, None)
    assert wishes(found["b"]) == (63.0, None, None)


def test_of_two_on_one_day_the_one_written_last_holds() -> None:
    assert wishes(in_force(("a", 5, "accepted", 119.0), ("a", 5, "trial", 77.0))["a"]) == (77.0, None, None)


def test_without_decisions_nobody_is_bounded() -> None:
    sites = pl.DataFrame({"site_id": ["a"], "current_visit_days": [182.0]})
    assert decisions_in_force(sites=sites, decisions=None, as_of=AS_OF).is_empty()


def test_an_address_has_the_shortest_pin_and_cap_and_the_longest_floor() -> None:
    pin, cap, floor = by_address(
        address=np.array([0, 0, 1, 2]), addresses=4, pinned=np.array([119.0, 91.0, NAN, 3.0]),
        no_longer=np.array([NAN, 182.0, 154.0, NAN]), no_shorter=np.array([56.0, 70.0, 168.0, NAN]),
    )  # fmt: skip
    assert pin.tolist() == [91.0, INF, 7.0, INF]  # visits are planned by the week
    assert cap.tolist() == [182.0, 154.0, INF, INF]
    assert floor.tolist() == [70.0, 154.0, 0.0, 0.0]  # no longer wins over no shorter


def weeks_left(
    pin: float = INF, cap: float = INF, floor: float = 0.0, most: float = 84.0, allowed: range = range(6, 13)
) -> list[int]:
    """Weeks left of 4 to 12 where limits leave the `allowed` ones and no more than `most` days."""
    kept = wished_weeks(
        weeks=WEEKS, allowed=np.isin(WEEKS, allowed)[None] & (most >= WEEKS * 7)[None],
        most_days=np.array([most]), pin=np.array([pin]), cap=np.array([cap]), floor=np.array([floor]),
    )  # fmt: skip
    return WEEKS[kept[0]].tolist()


@pytest.mark.parametrize(
    ("wish", "left"),
    [
        ({}, [6, 7, 8, 9, 10, 11, 12]),
        ({"pin": 63.0}, [9]),
        ({"pin": 69.9}, [9]),  # whole weeks within it
        ({"pin": 35.0}, [5]),  # a pin may be shorter than what is looked at by itself
        ({"pin": 200.0}, [12]),
        ({"pin": 80.0, "most": 62.0}, [8]),  # cut to the whole weeks within the limit
        ({"cap": 56.0}, [6, 7, 8]),
        ({"cap": 30.0}, [4]),  # shorter than anything allowed: the longest within it
        ({"floor": 70.0}, [10, 11, 12]),
        ({"floor": 70.0, "most": 60.0}, [8]),  # a limit holds: the longest it leaves
        ({"floor": 56.0, "cap": 63.0}, [8, 9]),
        ({"pin": 77.0, "cap": 56.0}, [8]),  # a refusal at another site of the address
        ({"pin": 49.0, "floor": 70.0}, [7]),
    ],
)
def test_weeks_that_decisions_leave(wish: dict[str, float], left: list[int]) -> None:
    assert weeks_left(**wish) == left  # type: ignore[arg-type]
