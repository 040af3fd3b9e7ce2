"""What units came out for: by hand, from a few spells."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.life.curves import log_log_range
from fleetstats.life.removals import GRID_DAYS, removals
from fleetstats.tables import TABLES

FITTED = date(2024, 1, 1)
AS_OF = date(2024, 12, 31)


def spell(number: int, age: int | None, how: str, **more: object) -> dict[str, object]:
    return {
        "spell_id": number, "site_id": "A", "component": "lamp", "fitted_on": FITTED,
        "ended_on": None if age is None else FITTED + timedelta(days=age), "ended_how": how,
        "competing_reason": None, "reason": None,
    } | more  # fmt: skip


def found(*rows: dict[str, object], first: date = FITTED) -> pl.DataFrame:
    schema = {
        "spell_id": pl.Int64, "site_id": pl.String, "component": pl.String, "fitted_on": pl.Date,
        "ended_on": pl.Date, "ended_how": pl.String, "competing_reason": pl.String, "reason": pl.String,
    }  # fmt: skip
    frame = pl.DataFrame(rows, schema=schema)
    sites = pl.DataFrame({"site_id": ["A"], "first_visit_on": [first]})
    out = pl.col("reason").is_not_null()
    return removals("lamp", spells=frame.filter(~out), left_out=frame.filter(out), sites=sites, as_of=AS_OF)


def share(table: pl.DataFrame, cause: str, days: float) -> float:
    return table.filter(pl.col("cause") == cause, pl.col("days") == days)["incidence"].item()


def test_each_reason_by_hand() -> None:
    # five units: spent at 20, out good at 30, leaking at 40, still in place (two). 1/5; then 4/5 * 1/4; ...
    table = found(
        spell(1, 20, "failed"), spell(2, 30, "taken_out"),
        spell(3, 40, "competing", competing_reason="leaking"), spell(4, None, "in_place"),
        spell(5, None, "in_place"),
    )  # fmt: skip
    assert table.schema == TABLES["removals"].of().schema
    assert share(table, "spent", 14.0) == 0.0
    for cause in ("spent", "before it was spent", "leaking"):
        assert share(table, cause, 42.0) == pytest.approx(1 / 5)
    assert table["days"].max() - 40 < GRID_DAYS


def test_a_unit_that_left_view_counts_until_then() -> None:
    # the one that left at 25 is out of the three at risk by day 30: 1/2 of those left
    table = found(spell(1, 30, "found_spent"), spell(2, 25, "left"), spell(3, None, "in_place"))
    assert share(table, "spent", 42.0) == pytest.approx(1 / 2)


def test_a_removal_unseen_counts_though_the_lives_leave_it_out() -> None:
    table = found(
        spell(1, 30, "unknown", reason="nothing_known"),
        spell(2, 30, "taken_out", reason="cut_by_refused_row"),
        spell(3, None, "in_place"),
    )
    assert share(table, "unknown", 42.0) == pytest.approx(1 / 2)
    assert table["cause"].unique().to_list() == ["unknown"]


def test_units_in_place_before_the_first_visit_enter_at_their_age() -> None:
    # watched from age 100 on: the one out at 110 is one of two; one gone by 50 would never be in the records
    first = FITTED + timedelta(days=100)
    table = found(spell(1, 110, "failed"), spell(2, None, "in_place"), first=first)
    assert share(table, "spent", 112.0) == pytest.approx(1 / 2)
    assert share(table, "spent", 98.0) == 0.0
    assert found(spell(1, 50, "failed"), first=first).is_empty()


def test_ranges_hold_the_share_and_stay_shares() -> None:
    rows = [spell(k, 10 + 3 * k, "failed" if k % 3 else "taken_out") for k in range(40)]
    table = found(*rows)
    assert (table["low"] <= table["incidence"]).all()
    assert (table["incidence"] <= table["high"]).all()
    assert table["high"].max() <= 1
    last = table.filter(pl.col("days") == table["days"].max())
    assert last["incidence"].sum() == pytest.approx(1.0)  # all 40 are gone for one reason or the other


def test_nothing_gone_is_no_row() -> None:
    assert found(spell(1, None, "in_place")).is_empty()


def test_a_share_near_one_with_a_wide_error_has_a_range_without_a_warning() -> None:
    share = np.array([0.0, 1 - 1e-6, 0.5, 1e-300, 1.0])
    low, high = log_log_range(share, np.array([0.0, 0.05, 0.01, 0.1, 0.0]))
    assert low[1] == 0.0
    assert high[1] == 1.0
    assert 0.48 < low[2] < 0.5 < high[2] < 0.52
    assert (low[[0, 4]] == share[[0, 4]]).all()
    assert (high[[0, 4]] == share[[0, 4]]).all()
