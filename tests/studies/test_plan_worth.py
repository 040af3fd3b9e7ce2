"""The arithmetic of the plan-worth study, by hand on a few homes."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetstats.sample import invent_fleet
from fleetstats.sample.wear import CARBON, LAMP, SEDIMENT, SEDIMENT_2
from fleetstats.settings import default_settings
from tests.hidden_truth.stories import STORIES

spec = importlib.util.spec_from_file_location("plan_worth", Path(__file__).with_name("plan_worth.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study  # its dataclasses look their module up
spec.loader.exec_module(study)


def test_excess_is_the_ratio_of_sums_with_its_standard_error():
    # over 10, 0, 5 of 100, 50, 50: 15/200. Residuals 10 - 7.5, 0 - 3.75, 5 - 3.75; 3/2 * 21.875 = 32.8125.
    best = np.array([900.0, 800.0, 700.0])
    over, gain = np.array([10.0, 0, 5]), np.array([100.0, 50, 50])
    found = study.excess(best + over, best, best + gain, np.zeros(3))
    assert found.value == pytest.approx(15 / 200)
    assert found.standard_error == pytest.approx(np.sqrt(32.8125) / 200)


def test_from_four_fleets_on_fleets_are_the_units():
    rng = np.random.default_rng(0)
    fleet = np.repeat(np.arange(4), 5)
    best = np.full(20, 100.0)
    plan, rule = best + rng.uniform(0, 5, 20), best + rng.uniform(10, 30, 20)
    found = study.excess(plan, best, rule, fleet)
    sums = [np.array([part[fleet == f].sum() for f in range(4)]) for part in (plan, best, rule)]
    by_fleet = study.excess(*sums, np.zeros(4))
    assert found.value == pytest.approx(by_fleet.value)
    assert found.standard_error == pytest.approx(by_fleet.standard_error)


def test_the_best_plan_has_no_excess_and_the_rule_an_excess_of_one():
    best, rule = np.array([1.0, 2.0, 3.0]), np.array([2.0, 4.0, 3.5])
    assert study.excess(best, best, rule, np.zeros(3)).value == 0
    assert study.excess(rule, best, rule, np.zeros(3)).value == 1


def test_plans_are_read_from_the_intervals_table():
    intervals = pl.DataFrame(
        {
            "site_id": ["H-2", "H-2", "H-2", "H-1"],
            "component": ["sediment_cartridge", "sediment_cartridge", "carbon_cartridge", "uv_lamp"],
            "slot": ["1", "2", None, ""],
            "visit_interval_days": [91.0, 91.0, 91.0, 168.0],
            "every_n_visits": [1, 2, 3, 2],
        }
    )
    interval, every_n, has_plan = study.planned(intervals, np.array(["H-1", "H-2", "H-3"]))
    assert interval[:2].tolist() == [168, 91]
    assert every_n[[SEDIMENT, SEDIMENT_2, CARBON], 1].tolist() == [1, 2, 3]
    assert every_n[LAMP, 0] == 2
    assert has_plan.tolist() == [True, True, False]


def test_a_small_fleet_goes_through_the_study_with_the_rule_for_a_plan(monkeypatch):
    """With the firm's own rule as the plan, plan and rule differ only by the limits the plan keeps."""

    def rule_as_plan(fleet, settings, limits):
        homes = invent_fleet(12, seed=3).tables["sites"]["site_id"]
        names = ["sediment_cartridge", "carbon_cartridge", "uv_lamp", "quartz_sleeve"]
        rows = [(site, name, None, 182, 2 if name == "uv_lamp" else 1) for site in homes for name in names]
        columns = ["site_id", "component", "slot", "visit_interval_days", "every_n_visits"]
        intervals = pl.DataFrame(rows, schema=columns, orient="row")
        return {(name, on): intervals for name in study.PLANS for on in limits}

    monkeypatch.setattr(study, "plans_from_records", rule_as_plan)
    monkeypatch.setattr(study, "hard_limits", lambda settings: np.full(5, np.inf))
    homes = study.one_fleet("mixed", 12, 3, years=4, runs=1)[True]
    assert homes.height > 8
    assert homes["plan"].to_list() == homes["rule"].to_list()
    assert homes["best"].sum() < homes["rule"].sum()
    assert study.table_row("mixed", 12, True, homes).count("|") == study.HEAD.split("\n")[0].count("|")


@pytest.mark.slow
def test_every_plan_is_made_from_the_records_and_goes_further_without_limits():
    settings = default_settings()
    fleet = invent_fleet(30, seed=5, years=4, story=STORIES["very_different"])
    plans = study.plans_from_records(fleet, settings, [True, False])
    assert set(plans) == {(name, on) for name in study.PLANS for on in (True, False)}
    curve = plans["curve", True].filter(pl.col("component") == "sediment_cartridge")
    # one curve: nothing tells the sites apart but what they have
    assert curve["failure_chance"].round(9).n_unique() <= curve["interval_days"].n_unique()
    assert (
        plans["plan", True]["visit_interval_days"].n_unique()
        > plans["curve", True]["visit_interval_days"].n_unique()
    )
    assert all(plans[name, True]["interval_days"].max() <= 365 for name in study.PLANS)
    for name in study.PLANS:
        assert plans[name, False]["interval_days"].sum() > plans[name, True]["interval_days"].sum()


def test_limits_are_net_of_lateness():
    assert study.hard_limits(default_settings()).tolist() == [351, 351, 351, 351, 168]
