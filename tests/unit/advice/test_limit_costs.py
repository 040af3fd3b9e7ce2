"""What limits and decisions cost: the plan with them less the plan without, by address, and where none is told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest

from fleetstats.advice import plan_visits
from fleetstats.advice.limit_costs import dearest_first, limit_costs
from fleetstats.advice.plan_figures import PlannedSites

from .conftest import AS_OF, Fleet

MakeFleet = Callable[..., Fleet]
#: Two sites at one address with a contract at one of them, a third alone with a decision.
SITES = pl.DataFrame(
    {
        "site_id": ["a", "b", "c"], "address": [0, 0, 1], "site_row": [0, 1, 2], "site_limit_days": [91.0, None, None], "site_limit_begun_days": [91.0, None, None],
        "site_limit_kind": ["contract", None, None], "site_limit_source": ["letter", None, None],
        "decision": [None, None, "accepted"], "decided_interval_days": [None, None, 70.0],
        "decided_reason": [None, None, "asked for"], "decided_on": [None, None, date(2025, 1, 2)],
        "pinned_days": [None, None, 70.0], "no_longer_days": [None, None, None], "no_shorter_days": [None] * 3,
    },
    schema_overrides={"no_longer_days": pl.Float64, "no_shorter_days": pl.Float64},
)  # fmt: skip
UNITS = pl.DataFrame(
    {
        "site_id": ["a", "b", "c"], "component": "sediment_cartridge", "slot": "", "address": [0, 0, 1],
        "site_row": [0, 1, 2], "site_limit_days": [91.0, None, None], "site_limit_begun_days": [91.0, None, None], "removed": False,
    }
)  # fmt: skip


def figures(days: list[float], cost: list[list[float]], calls: list[float]) -> PlannedSites:
    """Planned sites with what `limit_costs` reads."""
    frame = pl.DataFrame({"visit_interval_days": days, "callouts_per_year": calls}).with_columns(
        trips_per_year=365.25 / pl.col("visit_interval_days")
    )
    return PlannedSites(frame, np.array(cost), np.zeros((1, 4, 2)))


def fleet_of(sites: pl.DataFrame = SITES, units: pl.DataFrame = UNITS, held: list[bool] | None = None) -> Any:
    """What `limit_costs` reads of a fleet."""
    return SimpleNamespace(
        sites=sites, units=units, site_address=sites["address"].to_numpy(), address=units["address"].to_numpy(),
        in_place=~units["removed"].to_numpy(), held=np.array(held or [False] * 3),
    )  # fmt: skip


PLANNED = figures([84, 84, 70], [[500.0, 520.0], [400.0, 440.0], [700.0, 700.0]], [0.5, 0.7, 0.4])


def freed(sites: pl.DataFrame, units: pl.DataFrame) -> PlannedSites:
    """The plan without: 140 days at the first address, 105 at the second."""
    asked = sites["site_id"].to_list()
    if asked == ["a", "b"]:
        assert sites["site_limit_days"].null_count() == units["site_limit_days"].null_count() == 2
        return figures([140, 140], [[450.0, 450.0], [380.0, 400.0]], [0.9, 1.0])
    assert asked == ["c"]
    assert sites.select("pinned_days", "address", "site_row").row(0) == (None, 0, 0)
    return figures([105], [[640.0, 660.0]], [0.9])


def told(
    held: list[bool] | None = None, units: pl.DataFrame = UNITS
) -> dict[tuple[str, str], dict[str, Any]]:
    found = limit_costs(fleet=fleet_of(units=units, held=held), planned=PLANNED, replan=freed)
    return {(row["site_id"], row["kind"]): row for row in found.iter_rows(named=True)}


def test_the_cost_is_that_of_the_whole_address_drawn_by_draw() -> None:
    """a and b: (500 - 450) + (400 - 380) = 70 in one draw, (520 - 450) + (440 - 400) = 110 in the other."""
    found = told()
    assert set(found) == {("a", "contract"), ("c", "accepted")}  # b is bound by the trip alone
    row = found["a", "contract"]
    assert row["cost_per_year_more"] == pytest.approx(90)
    assert (row["low"], row["high"]) == (
        pytest.approx(72),
        pytest.approx(108),
    )  # 5 and 95 % between 70 and 110
    assert row["callouts_per_year_more"] == pytest.approx(0.5 + 0.7 - 0.9 - 1.0)
    assert row["trips_per_year_more"] == pytest.approx(365.25 * (1 / 84 - 1 / 140))
    assert (row["visit_interval_days"], row["visit_interval_days_without"]) == (84, 140)
    assert (row["max_days"], row["source"], row["decided_on"], row["unpriced"]) == (
        91.0,
        "letter",
        None,
        None,
    )


def test_a_decision_is_priced_without_it() -> None:
    row = told()["c", "accepted"]
    assert (row["cost_per_year_more"], row["max_days"], row["source"]) == (
        pytest.approx(50),
        70.0,
        "asked for",
    )
    assert row["decided_on"] == date(2025, 1, 2)


def test_sites_of_an_address_that_are_bound_alike_share_its_cost_evenly() -> None:
    both = SITES.with_columns(
        site_limit_days=pl.Series([91.0, 120.0, None]), site_limit_kind=pl.lit("contract")
    )
    found = limit_costs(fleet=fleet_of(both), planned=PLANNED, replan=freed)
    rows = found.filter(pl.col("kind") != "accepted")
    assert rows["cost_per_year_more"].to_list() == pytest.approx([45, 45])


def test_there_is_no_price_at_an_address_where_nothing_can_be_planned_by_its_records() -> None:
    found = told(held=[True, True, False])
    row = found["a", "contract"]
    assert row["unpriced"] == "few_records"
    assert [row[name] for name in ("callouts_per_year_more", "cost_per_year_more", "low", "high")] == [
        None
    ] * 4
    assert row["visit_interval_days"] == 84  # the limit stays on the list
    assert found["c", "accepted"]["cost_per_year_more"] is not None
    # one unit that can be planned is enough; one that was taken out is none
    assert told(held=[True, False, False])["a", "contract"]["unpriced"] is None
    gone = UNITS.with_columns(removed=pl.col("site_id") == "b")
    assert told(held=[True, False, False], units=gone)["a", "contract"]["unpriced"] == "few_records"


def test_the_dearest_comes_first_and_what_has_no_price_last() -> None:
    frame = pl.DataFrame({"site_id": ["a", "b", "c", "d"], "cost_per_year_more": [5.0, None, 90.0, 5.0]})
    assert dearest_first(frame)["site_id"].to_list() == ["c", "a", "d", "b"]


def plans(fleet: Fleet, limits: pl.DataFrame | None) -> Any:
    return plan_visits(
        sites=fleet.sites, units=fleet.units, lives=fleet.lives, components=fleet.kinds, terms=fleet.terms,
        as_of=AS_OF, months_seen=fleet.months_seen, site_limits=limits, price_limits=True, most_draws=60,
    )  # fmt: skip


def test_in_a_real_plan_the_price_is_the_difference_of_two_plans(make_fleet: MakeFleet) -> None:
    fleet = make_fleet(sites=5)
    limit = pl.DataFrame({"site_id": ["S001"], "kind": "contract", "max_days": 70.0, "source": "letter"})
    bound, free = plans(fleet, limit), plans(fleet, None)
    (row,) = bound.limit_costs.iter_rows(named=True)
    cost = [
        plan.plans.filter(pl.col("site_id") == "S001")["cost_per_year"][0] for plan in (bound, free)
    ]  # fmt: skip
    assert row["cost_per_year_more"] == pytest.approx(cost[0] - cost[1])
    assert row["cost_per_year_more"] > 0
    fleet.months_seen = 5.0
    (row,) = plans(fleet, limit).limit_costs.iter_rows(named=True)
    assert (row["cost_per_year_more"], row["unpriced"]) == (None, "few_records")
