"""Units wear as the story says: by what the water carries, by hardness, by hours, and by no formula."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats

from fleetstats.sample import Story, invent_fleet
from fleetstats.sample.district import invent_homes
from fleetstats.sample.pressure import drop_ratio, stage_drops, total_drop
from fleetstats.sample.wear import (
    CARBON,
    LAMP,
    ROOFS,
    SEDIMENT,
    SEDIMENT_2,
    SLEEVE,
    TANKS,
    TREES,
    steady,
    strength,
)
from tests.hidden_truth.stories import STORIES
from tests.hidden_truth.truth import take, true_lives, truth_of

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("sample")


@pytest.fixture(scope="module")
def alike():
    """The truth of six homes alike in everything: metal roof, poly tank, some trees, three people."""
    truth = truth_of(invent_fleet(6, years=1, seed=2))
    homes = take(truth.homes, np.zeros(6, np.int64))
    homes.roof[:], homes.tank[:], homes.trees[:] = (
        ROOFS.index("metal"),
        TANKS.index("poly"),
        TREES.index("some"),
    )
    homes.tank_day[:], homes.cleaned_day[:] = truth.day - 4000, truth.day - 1500
    homes.seasonal[:], homes.first_flush[:], homes.occupants[:] = False, False, 3
    homes.gutters[:], homes.scale[:], homes.supply[:] = 0, 0, 0
    homes.has[:] = np.array([True, False, True, True, True])[:, None]
    return replace(truth, homes=homes, notice_days=np.full(6, 4.0))


def median_lives(truth, unit):
    return np.array([np.median(home[unit]) for home in true_lives(truth, years=30, runs=4, seed=1)])


def test_cartridges_fill_sooner_under_heavy_trees_and_later_behind_a_first_flush(alike):
    alike.homes.trees[:] = [0, 1, 2, 0, 1, 2]
    alike.homes.first_flush[3:] = True
    for unit in (SEDIMENT, CARBON):
        lives = median_lives(alike, unit)
        assert (np.diff(lives[:3]) < 0).all()
        assert (lives[3:] > lives[:3]).all()


def test_twice_the_water_half_the_life(alike):
    alike.homes.trees[:], alike.homes.first_flush[:] = 1, False
    alike.homes.occupants[:] = [2, 4, 2, 4, 2, 4]
    lives = median_lives(alike, SEDIMENT)
    assert lives[0] / lives[1] == pytest.approx(2, rel=0.1)


def test_a_young_concrete_tank_scales_a_sleeve_sooner_and_tires_of_it(alike):
    alike.homes.tank[:] = [TANKS.index("concrete")] * 4 + [TANKS.index("poly")] * 2
    alike.homes.tank_day[:4] = alike.day - np.array([0.5, 3, 8, 25]) * 365.25
    lives = median_lives(alike, SLEEVE)
    assert (np.diff(lives[:4]) > 0).all()
    assert lives[4] > lives[3]


def test_lamps_live_by_their_hours(alike):
    lives = median_lives(alike, LAMP)
    assert lives[0] * 24 == pytest.approx(10_300, rel=0.06)
    homes = take(alike.homes, np.arange(6))
    homes.seasonal[:] = True
    assert (median_lives(replace(alike, homes=homes), LAMP) > 1.2 * lives).all()


def test_a_dirty_gutter_is_felt_by_the_cartridges_alone(alike):
    homes = take(alike.homes, np.arange(6))
    homes.gutters[:] += np.log(2)
    clean, dirty = steady(alike.homes, alike.day, alike.story), steady(homes, alike.day, alike.story)
    assert dirty.solids_mg_l == pytest.approx(2 * clean.solids_mg_l)
    assert dirty.scale_per_day == pytest.approx(clean.scale_per_day)


def test_lives_are_neither_weibull_nor_lognormal(alike):
    story, rng = Story(), np.random.default_rng(0)
    can = strength(SEDIMENT, rng.random(20_000), rng.random(20_000), story)
    for law in (stats.weibull_min, stats.lognorm):
        fitted = law.fit(can, floc=0)
        assert stats.kstest(can, law.name, args=fitted).pvalue < 1e-6
    assert 0.3 < can.min() < 0.69
    assert can.max() < 1.3


# Hermia (1982): at half the capacity, when it ends at ten times the clean drop, complete blocking stands at
# 1.82 and intermediate blocking at 3.16 times the clean drop (own algebra from dR/dV = k R^n).
@pytest.mark.parametrize(("intermediate", "at_half"), [(0.0, 1.82), (1.0, 3.16)])
def test_blocking_laws_at_half_life(intermediate, at_half):
    assert drop_ratio(np.array([0.5]), 10.0, intermediate)[0] == pytest.approx(at_half, abs=0.005)


def test_a_cartridge_looks_nearly_clean_at_half_life_and_is_at_the_limit_at_its_end():
    share = np.array([0.0, 0.5, 0.9, 1.0])
    clean, one = np.full(4, 16.0), np.ones(4)
    drops = stage_drops(np.vstack([share, np.full(4, np.nan), share]), clean, clean, one)
    # own algebra at ratio 6.25: .45 exp(1.8326 s) + .55 / (1 - .84 s), times 16 kPa
    assert drops[SEDIMENT] == pytest.approx([16.0, 33.2, 73.5, 100.0], abs=0.1)
    assert np.isnan(drops[SEDIMENT_2]).all()
    assert (np.diff(drops[CARBON]) > 0).all()
    assert total_drop(drops) == pytest.approx(drops[SEDIMENT] + drops[CARBON])


def test_two_in_parallel_drop_as_the_clearer_one():
    drops = np.array([[40.0, 40.0], [25.0, np.nan], [30.0, np.nan]])
    assert total_drop(drops) == pytest.approx([55.0, 40.0])


def test_readings_before_a_low_pressure_call_are_high(fleet):
    drop = pl.col("inlet_pressure_kpa") - pl.col("outlet_pressure_kpa")
    read = (
        fleet.tables["visits"]
        .filter(drop.is_not_null() & pl.col("pressure_read").is_null())
        .with_columns(drop.alias("drop"))
    )
    called = read.filter(pl.col("callout_cause") == "low_pressure")["drop"].median()
    routine = read.filter(pl.col("visit_reason") == "routine")["drop"].median()
    assert called > 100 > routine


def test_homes_that_look_alike_differ_as_much_as_the_story_says():
    rng = np.random.default_rng(0)
    spread = {
        name: np.std(invent_homes(2000, story, start=18_000, rng=rng).gutters)
        for name, story in STORIES.items()
    }
    assert spread["calm"] == pytest.approx(0.2, rel=0.06)
    assert spread["mixed"] == pytest.approx(0.5, rel=0.06)
    assert spread["very_different"] == pytest.approx(0.9, rel=0.06)


def test_the_sample_fleets_figures_are_those_of_a_plausible_firm():
    fleet = invent_fleet(150, seed=1)
    routine = (
        fleet.tables["visits"]
        .filter(pl.col("visit_reason") == "routine")
        .sort("site_id", "visit_date")
        .with_columns(pl.col("visit_date").diff().over("site_id").dt.total_days().alias("gap"))
    )
    assert 175 <= routine["gap"].quantile(0.5) <= 190
    own = routine.filter(pl.col("gap") < 270)  # longer: a call-out did the work of a visit in between
    assert own.height > 0.85 * routine["gap"].count()
    assert 8 <= own["gap"].quantile(0.9) - 182 <= 20
    per_site = fleet.tables["visits"].filter(pl.col("visit_reason") == "callout").height / (150 * 5)
    assert 0.5 < per_site < 2.0
