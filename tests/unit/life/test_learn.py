"""Covariates, what a component's spells teach, and curves by tank and roof."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from fleetstats.components import CARTRIDGE, KINDS
from fleetstats.life.covariates import choose_coding, reference_of, water_facts
from fleetstats.life.learn import draws_for_new, learn_component
from fleetstats.life.strata import strata_curves

AS_OF = date(2024, 6, 30)
SITES = 40


def some_sites(n: int = SITES) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "site_id": [f"S{i:02d}" for i in range(n)],
            "tank_material": ["concrete", "poly"] * (n // 2),
            "tank_installed": [date(2023, 1, 1)] * n,
            "roof_material": ["metal"] * (n - 1) + ["slate"],
            "tree_cover": (["none", "heavy", None, "some"] * n)[:n],
            "first_flush": ([True, None] * n)[:n],
            "occupants": ([2.0, None, 4.0, 4.0] * n)[:n],
            "daily_litres": ([None, 800.0, None, None] * n)[:n],
            "hardness_mg_l": ([60.0, None] * n)[:n],
        },
        schema_overrides={"first_flush": pl.Boolean, "tank_installed": pl.Date},
    )


def some_spells(seed: int = 0, *, component: str = "sediment_cartridge") -> pl.DataFrame:
    """Lives of 8 fittings a site, halved under heavy trees, taken out at 200 days where they last so long."""
    stream = np.random.default_rng(seed)
    rows = []
    for row in some_sites().iter_rows(named=True):
        middle = (
            240.0 * (0.5 if row["tree_cover"] == "heavy" else 1.0) * np.exp(0.3 * stream.standard_normal())
        )
        for life in middle * np.exp(0.25 * stream.standard_normal(8)):
            rows.append((row["site_id"], min(life, 200.0), life if life < 200 else np.inf))
    return pl.DataFrame(rows, schema=["site_id", "lower_days", "upper_days"], orient="row").with_columns(
        spell_id=pl.int_range(pl.len()),
        chapter=pl.lit(1),
        component=pl.lit(component),
        slot=pl.lit(""),
        part_number=pl.lit(None, pl.String),
        fitted_on=pl.lit(date(2023, 1, 1)),
        entry_days=pl.lit(0.0),
        daily_litres=pl.lit(None, pl.Float64),
    )


def some_units() -> pl.DataFrame:
    return some_sites().select(
        "site_id",
        chapter=pl.lit(1),
        component=pl.lit("sediment_cartridge"),
        slot=pl.lit(""),
        part_number=pl.lit(None, pl.String),
    )


def test_daily_use_comes_from_the_spell_then_the_site_then_the_household() -> None:
    units = pl.DataFrame(
        {
            "site_id": ["S00", "S01", "S02", "S01", "S05"],
            "part_number": [None] * 5,
            "daily_litres": [None, None, None, 200.0, None],
        },
        schema_overrides={"part_number": pl.String, "daily_litres": pl.Float64},
    )
    facts = water_facts(units, some_sites().with_columns(pl.col("occupants").cast(pl.Float64)))
    # 155 litres a person a day stand in where no meter is read; logarithms are taken over 400 litres a day
    expected = [2 * 155.0, 800.0, 4 * 155.0, 200.0, 800.0]
    assert np.exp(facts["log_daily_litres"].to_numpy()) * 400 == pytest.approx(expected)


def test_concrete_is_told_by_its_age_and_an_unknown_age_is_its_own_level() -> None:
    sites = some_sites(4).with_columns(
        tank_material=pl.lit("concrete"),
        tank_installed=pl.Series([date(2022, 1, 1), date(2017, 1, 1), date(1990, 1, 1), None]),
    )
    units = sites.select("site_id", part_number=pl.lit(None, pl.String), fitted_on=pl.lit(date(2024, 1, 1)))
    assert water_facts(units, sites)["tank_and_age"].to_list() == [
        "concrete under 4 years", "concrete 4 to 10 years", "concrete over 10 years",
        "concrete of unknown age",
    ]  # fmt: skip


def test_rare_levels_are_merged_blanks_stay_and_what_says_nothing_is_left_out() -> None:
    spells = some_spells()
    coding = choose_coding(CARTRIDGE, water_facts(spells, some_sites()))
    assert coding.levels["tree_cover"] == ("none", "heavy", "some")
    assert coding.levels["roof_material"] == ("metal", "other")  # slate stands at one site only
    assert coding.levels["first_flush"] == ("yes",)  # blanks against it say something
    assert "part_number" not in coding.levels
    assert reference_of(coding)["tree_cover"] == "none"
    frame = coding.frame(water_facts(some_units(), some_sites()))
    assert frame["tree_cover"].null_count() == SITES // 4
    assert frame["roof_material"].to_list()[-1] == "other"


def test_a_level_never_seen_costs_no_site_its_plan() -> None:
    life = learn_component(
        KINDS["sediment_cartridge"], spells=some_spells(), units=some_units(), sites=some_sites(), as_of=AS_OF, draws=40,
    )  # fmt: skip
    strange = water_facts(
        pl.DataFrame({"site_id": ["new"], "part_number": ["NEVER-SEEN"]}),
        some_sites(2)
        .head(1)
        .with_columns(site_id=pl.lit("new"), tank_material=pl.lit("timber"), tree_cover=pl.lit("x")),
    )
    assert np.isfinite(draws_for_new(life, strange, draws=40).median()).all()


def test_what_was_planted_is_learned_and_relative_life_is_against_sites_like_it() -> None:
    life = learn_component(
        KINDS["sediment_cartridge"], spells=some_spells(), units=some_units(), sites=some_sites(), as_of=AS_OF,
    )  # fmt: skip
    best = life.average.fits[int(life.average.weights.argmax())]
    heavy = best.effects().filter(pl.col("term") == "tree_cover[heavy]").row(0, named=True)
    assert heavy["low"] < 0.5 < heavy["high"]
    assert life.units["spells"].to_list() == [8] * SITES
    assert life.failures == int(some_spells()["upper_days"].is_finite().sum())
    # at a site like it, with its own deviation taken off, the median is the location's share alone
    own, like = life.lives.median(), life.alike.median()
    assert own / like == pytest.approx(np.exp(life.lives.site_effect))


def test_without_one_spell_the_priors_speak_and_without_a_failure_the_answer_is_finite() -> None:
    for spells in (some_spells().head(0), some_spells().with_columns(upper_days=pl.lit(np.inf))):
        life = learn_component(
        KINDS["sediment_cartridge"], spells=spells, units=some_units(), sites=some_sites(), as_of=AS_OF, draws=50,
        )  # fmt: skip
        assert np.isfinite(life.lives.median()).all()
        assert life.failures == 0


def test_curves_by_tank_and_roof_carry_counts_and_bands() -> None:
    curves = strata_curves("sediment_cartridge", some_spells(), some_sites())
    assert set(curves["by"]) == {"all", "tank_material", "roof_material"}
    assert set(curves.filter(pl.col("by") == "roof_material")["level"]) == {
        "metal"
    }  # 8 spells on slate are few
    everything = curves.filter(pl.col("by") == "all").sort("days")
    assert set(everything["method"]) == {"product_limit"}
    assert (everything["low"] <= everything["survival"] + 1e-12).all()
    assert (everything["high"] >= everything["survival"] - 1e-12).all()
    spells = some_spells()
    ended = spells.filter(pl.col("upper_days").is_finite())
    assert everything["events"].sum() == ended.height
    first = everything.row(0, named=True)
    assert first["survival"] == pytest.approx(1 - 1 / spells.height)


def test_where_most_ends_are_intervals_turnbull_draws_the_curve() -> None:
    # all units looked at on day 100 and day 200: a third spent by the first look, a third by the second
    spells = (
        some_spells()
        .head(60)
        .with_columns(
            lower_days=pl.Series([0.0] * 20 + [100.0] * 20 + [200.0] * 20),
            upper_days=pl.Series([100.0] * 20 + [200.0] * 20 + [np.inf] * 20),
        )
    )
    curve = (
        strata_curves("sediment_cartridge", spells, some_sites()).filter(pl.col("by") == "all").sort("days")
    )
    assert set(curve["method"]) == {"turnbull"}
    assert curve["days"].to_list() == [100.0, 200.0]
    assert curve["survival"].to_numpy() == pytest.approx([2 / 3, 1 / 3], abs=1e-6)
