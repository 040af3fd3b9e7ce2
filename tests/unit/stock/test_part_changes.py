"""Which part follows which: read off spells, drawn for the forecast, and counted in it."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.life.draws import LifeDraws
from fleetstats.stock import monthly_demand
from fleetstats.stock.part_changes import NextPart, next_part, part_changes

AS_OF = date(2024, 1, 31)
HALF_YEAR = timedelta(days=182)
Row = tuple[str, str | None, date, date | None, str]


def spells(*rows: Row) -> pl.DataFrame:
    return pl.DataFrame(
        [(site, "cartridge", "", part, begun, ended, how) for site, part, begun, ended, how in rows],
        schema={
            "site_id": pl.String, "component": pl.String, "slot": pl.String, "part_number": pl.String,
            "fitted_on": pl.Date, "ended_on": pl.Date, "renewed_by": pl.String,
        },
        orient="row",
    )  # fmt: skip


def learned(*rows: Row) -> dict[tuple[str, str], float]:
    found = part_changes(spells(*rows), as_of=AS_OF)
    return {(row[1], row[2]): row[3] for row in found.iter_rows()}


def changes(**weights: float) -> pl.DataFrame:
    rows = [("cartridge", *pair.split("_to_"), weight) for pair, weight in weights.items()]
    names = ["component", "part_number", "next_part_number"]
    return pl.DataFrame(rows, schema={**dict.fromkeys(names, pl.String), "weight": pl.Float64}, orient="row")


def test_a_change_of_half_a_year_ago_says_half_as_much() -> None:
    first, second = AS_OF - 2 * HALF_YEAR, AS_OF - HALF_YEAR
    rows = (
        ("S1", "A", first, second, "fitted"), ("S1", "B", second, AS_OF, "replaced"),
        ("S1", "B", AS_OF, None, "replaced"),
    )  # fmt: skip
    assert learned(*rows) == {("A", "B"): 0.5, ("B", "B"): 1.0}


def test_what_is_not_known_to_follow_teaches_nothing() -> None:
    old, mid = AS_OF - 2 * HALF_YEAR, AS_OF - HALF_YEAR
    unknown = ("S1", "A", old, mid, "fitted"), ("S1", None, mid, AS_OF, "replaced"), ("S1", "B", AS_OF, None, "replaced")  # fmt: skip
    assert learned(*unknown) == {}
    hidden = ("S1", "A", old, mid, "fitted"), ("S1", "B", AS_OF, None, "replaced")
    assert learned(*hidden) == {}, "a fitting in between is left out of the spells"
    cleaned = ("S1", "A", old, mid, "fitted"), ("S1", "A", mid, None, "cleaned")
    assert learned(*cleaned) == {}


def test_parts_that_keep_their_place_need_no_draw() -> None:
    parts = pl.DataFrame({"part_number": ["A", "B"]})
    for told in (None, changes(A_to_A=5.0, B_to_B=2.0), changes(X_to_A=1.0), changes().clear()):
        assert next_part(told, parts, "cartridge", replicates=3, seed=[1]) is None
    assert next_part(changes(A_to_B=1.0), parts, "lamp", replicates=3, seed=[1]) is None


def test_chances_of_the_next_part_are_those_of_a_dirichlet_distribution() -> None:
    # mean w_j / W and variance m (1 - m) / (W + 1): Johnson, Kotz & Balakrishnan, Continuous Multivariate
    # Distributions (2000), section 49 (from memory)
    parts = pl.DataFrame({"part_number": ["A", "B", "C"]})
    told = changes(A_to_A=6.0, A_to_B=3.0, A_to_C=1.0)
    found = next_part(told, parts, "cartridge", replicates=40_000, seed=[3])
    assert found is not None
    chance = np.diff(found.up_to[:, 0], axis=1, prepend=0.0)
    mean = np.array([0.6, 0.3, 0.1])
    assert chance.mean(axis=0) == pytest.approx(mean, abs=0.004)
    assert chance.var(axis=0) == pytest.approx(mean * (1 - mean) / 11, rel=0.05)
    assert (found.up_to[:, 1] == [0.0, 1.0, 1.0]).all(), "nothing known of B: by itself"


def test_the_next_part_is_drawn_by_its_chance() -> None:
    found = NextPart(np.array([[[0.25, 1.0], [0.0, 1.0]], [[1.0, 1.0], [0.75, 1.0]]]))
    rng, many = np.random.default_rng(8), 20_000
    for replicate, part, first in ((0, 0, 0.25), (0, 1, 0.0), (1, 0, 1.0), (1, 1, 0.75)):
        drawn = found.draw(np.full(many, part), np.full(many, replicate), rng)
        assert np.mean(drawn == 0) == pytest.approx(first, abs=4.5 * np.sqrt(0.25 / many))


def three_renewals(told: pl.DataFrame) -> dict[tuple[str, str], float]:
    """Expected use by part and month of one unit of A, new and lasting 99.6 days each time: three renewals."""
    units = pl.DataFrame(
        {
            "site_id": ["S1"], "component": ["cartridge"], "slot": [""], "part_number": ["A"],
            "age_days": [0.0], "survived_days": [0.0], "spent_seen": [False],
        }
    )  # fmt: skip
    plans = pl.DataFrame(
        {
            "site_id": ["S1"], "component": ["cartridge"], "slot": [""], "visit_interval_days": [1e4],
            "every_n_visits": [1], "hard_limit_days": [None],
            "next_visit_on": [AS_OF + timedelta(days=9_999)],
        },
        schema_overrides={"hard_limit_days": pl.Float64},
    )  # fmt: skip
    place = np.log(np.array([[99.6]]))
    lives = LifeDraws(("weibull",), place, np.array([1e-7]), np.zeros_like(place))
    found = monthly_demand(
        units=units, lives={"cartridge": lives}, announced={"cartridge": True}, plans=plans, as_of=AS_OF,
        changes=told, replicates=2_000,
    )  # fmt: skip
    assert found.renewed.sum(axis=0).tolist() == [3] * 2_000, "renewals belong to the part held now"
    assert found.parts.filter(part_number="B")["units"].to_list() == [0]
    used = found.stock.filter(pl.col("expected") > 0)
    return {(row[0], str(row[1])[:7]): row[2] for row in used.select("part_number", "month", "expected").iter_rows()}  # fmt: skip


def test_a_part_that_is_being_given_up_is_not_needed_again() -> None:
    months = ("2024-05", "2024-08", "2024-11")
    assert three_renewals(changes(A_to_B=4.0)) == {("B", month): 1.0 for month in months}


def test_parts_in_turn_are_counted_in_turn() -> None:
    found = three_renewals(changes(A_to_B=4.0, B_to_A=4.0))
    assert found == {("B", "2024-05"): 1.0, ("A", "2024-08"): 1.0, ("B", "2024-11"): 1.0}


def test_mixed_habits_follow_the_chain() -> None:
    # P(B) after one step 0.3; after two 0.3 * 0.8 + 0.7 * 0.3 = 0.45; after three 0.45 * 0.8 + 0.55 * 0.3 = 0.525
    found = three_renewals(changes(A_to_A=70e3, A_to_B=30e3, B_to_B=80e3, B_to_A=20e3))
    for month, chance in (("2024-05", 0.3), ("2024-08", 0.45), ("2024-11", 0.525)):
        assert found["B", month] == pytest.approx(chance, abs=4.5 * np.sqrt(0.25 / 2_000))
        assert found["A", month] + found["B", month] == pytest.approx(1.0)
