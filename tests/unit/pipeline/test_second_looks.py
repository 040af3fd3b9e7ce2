"""What the analysis says of itself on the sample fleet: sensitivity, reasons, costs of past plans."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from fleetstats.life import Lifetimes, fit_life, weak_priors
from fleetstats.pipeline.looking_back import PLAN, RULE, _planned_alone
from fleetstats.pipeline.sensitivity import (
    _found_of_late,
    _loaded_as_nearly_spent,
    _unknown_as_spent,
    _unsaid,
    _untouched,
)
from fleetstats.pipeline.shown import kept_results
from fleetstats.report.pages.trust import trust_page
from fleetstats.settings import default_settings
from fleetstats.store import Store


@pytest.fixture(scope="module")
def analysed(built_sample):
    """Return the store of the sample fleet after one analysis."""
    with Store(built_sample / "fleet.duckdb", read_only=True) as store:
        yield store


def test_the_sensitivity_table_moves_where_it_must(analysed):
    table = analysed.table("sensitivity")
    told = {(row["component"], row["assumption"]): row for row in table.iter_rows(named=True)}
    for component in ("sediment_cartridge", "carbon_cartridge"):
        loaded = told[component, "loaded counts as nearly spent"]
        assert loaded["life_ratio"] < 1, "lives read as shorter are shorter"
        assert loaded["spells_changed"] > 0
    assert ("quartz_sleeve", "found spent means spent of late") not in told, "hidden failures bring no notice"
    for reading in ("records alone, priors off", "custom alone, records off"):
        assert {component for component, what in told if what == reading} == set(
            analysed.table("families")["component"]
        )
    custom = table.filter(pl.col("assumption") == "custom alone, records off")
    assert set(custom["problem"]) == {""}, "the priors alone always have an answer"
    assert custom["life_ratio"].is_between(0.2, 5.0).all()
    touched = analysed.table("spells").drop_nulls("flags")
    counted = touched.group_by("component").len()
    for component, count in counted.iter_rows():
        assert told[component, "fittings during passing changes left out"]["spells_changed"] == count
    assert counted.height
    shift = table.drop_nulls("shift_days")
    assert (shift["shift_low_days"] <= shift["shift_high_days"]).all()
    assert (shift["sites"] > 0).all()


def test_lamps_are_held_against_their_curve_and_removals_add_up(analysed):
    early = analysed.table("early_deaths")
    assert set(early["component"]) == {"sediment_cartridge", "carbon_cartridge", "uv_lamp"}
    spells = analysed.table("spells")
    for table in (early, analysed.table("lives_by_year"), analysed.table("lives_by_month")):
        for component, failures in table.group_by("component").agg(pl.col("failures").sum()).iter_rows():
            own = spells.filter(pl.col("component") == component)
            assert failures == own["upper_days"].is_finite().sum()
    gone = analysed.table("removals")
    shares = gone.group_by("component", "days").agg(pl.col("incidence").sum())["incidence"]
    assert shares.max() <= 1 + 1e-9
    assert (gone["low"] <= gone["incidence"]).all()


def test_a_tenth_of_all_units_is_in_the_worst_tenth(analysed):
    sites = analysed.table("site_life")
    share = sites.group_by("component").agg(pl.col("worst_tenth_chance").mean())["worst_tenth_chance"]
    assert share.to_numpy() == pytest.approx(0.1)
    worst = sites.filter(pl.col("component") == "sediment_cartridge").sort("relative_life")
    assert worst["worst_tenth_chance"][0] > 0.5
    assert worst["worst_tenth_chance"][-1] < 0.01


def test_what_past_plans_would_have_cost_reaches_the_page(analysed):
    costs = analysed.table("policy_costs")
    assert costs.group_by("origin", "horizon_days").agg(pl.col("policy").sort())["policy"].to_list() == [
        [PLAN, RULE]
    ] * (costs.height // 2)
    assert (costs["low"] <= costs["cost_per_site_year"]).all()
    assert (costs["cost_per_site_year"] <= costs["high"]).all()
    # the same sites, lives and prices: money is trips, call-outs and parts, told apart
    trips = costs["trips_per_site_year"] * 120 + costs["callouts_per_site_year"] * 300
    assert (costs["cost_per_site_year"] > trips).all()
    page = trust_page(kept_results(analysed, as_of=None, settings=None))
    assert len(page.costs.rows) == costs.height // 2
    assert len(page.replay.rows) == analysed.table("replay").height


def test_a_unit_without_a_plan_is_passed_over_and_keeps_its_row() -> None:
    units = pl.DataFrame(
        {
            "site_id": ["A", "B", "C"],
            "component": ["lamp"] * 3,
            "slot": [""] * 3,
            "served": [True, True, False],
        }
    )
    plans = units.select("site_id", "component", "slot").filter(pl.col("site_id") != "A")
    assert _planned_alone(units, plans)["served"].to_list() == [False, True, False]


def some_spells() -> pl.DataFrame:
    """Taken out loaded, taken out good, out unseen after a look at 60, found spent at 182."""
    fitted = date(2024, 1, 1)
    return pl.DataFrame(
        {
            "spell_id": [1, 2, 3, 4], "site_id": ["A"] * 4, "component": ["sediment_cartridge"] * 4,
            "fitted_on": [fitted] * 4, "ended_on": [fitted + timedelta(days=d) for d in (100, 100, 150, 182)],
            "ended_how": ["taken_out", "taken_out", "unknown", "found_spent"],
            "end_condition": ["loaded", "good", None, "blocked"],
            "lower_days": [100.0, 100.0, 60.0, 0.0], "upper_days": [np.inf, np.inf, np.inf, 182.0],
            "entry_days": [0.0] * 4,
        }
    )  # fmt: skip


def test_custom_alone_is_the_priors_and_passing_changes_go_by_their_flags() -> None:
    own = some_spells().with_columns(flags=pl.Series([None, "ash", None, None], dtype=pl.String))
    less, changed = _untouched(own)
    assert less["spell_id"].to_list() == [1, 3, 4]
    assert changed == 1
    everywhere = own.with_columns(flags=pl.lit("drought"))
    assert _untouched(everywhere)[1] == 0
    told = _unsaid(own)
    lives = Lifetimes(told["lower_days"], told["upper_days"], entry=told["entry_days"], site=["A"] * 4)
    fit = fit_life(lives, priors=weak_priors(182))
    # intercept N(log 182, 1), log sigma N(log 0.4, 0.35^2), log tau N(log 0.4, 0.5^2), as documented
    np.testing.assert_allclose(fit.estimate, [np.log(182), np.log(0.4), np.log(0.4)], atol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.covariance)), [1.0, 0.35, 0.5], rtol=1e-6)


def test_other_readings_by_hand(fleet) -> None:
    own = some_spells()
    loaded, changed = _loaded_as_nearly_spent(own)
    assert loaded["upper_days"].to_list() == [125.0, np.inf, np.inf, 182.0]
    assert changed == 1
    late, changed = _found_of_late(own, "sediment_cartridge", default_settings())
    assert late["lower_days"].to_list() == [100.0, 100.0, 60.0, 152.0]
    assert changed == 1
    same, changed = _found_of_late(own, "quartz_sleeve", default_settings())
    assert same.equals(own)
    assert changed == 0
    known = fleet.known(
        visits="""
            visit_id,site_id,visit_date,visit_reason
            1,A,2024-01-01,commission
            2,A,2024-03-31,routine
        """,
        work="""
            visit_id,component,action,condition
            1,sediment_cartridge,fitted,
            2,sediment_cartridge,replaced,unknown
        """,
    )
    unknown, changed = _unknown_as_spent(own, known)
    # the one that came out unseen at 90 days, left out of the lives, comes back as spent by then
    assert sorted(unknown["upper_days"].to_list()) == [90.0, 150.0, 182.0, np.inf, np.inf]
    assert changed == 2
