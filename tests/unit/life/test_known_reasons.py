"""What shortens a life on record is found for every component, from its own covariates, and nothing else."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from fleetstats.components import KINDS
from fleetstats.life.known_reasons import known_reasons
from fleetstats.life.learn import learn_component

AS_OF = date(2026, 6, 30)
SITES = 48


@pytest.fixture(scope="module")
def sleeves() -> pl.DataFrame:
    """Return the known reasons of sleeves that hard water and young concrete tanks scale, and nothing else."""
    stream = np.random.default_rng(5)
    place = np.arange(SITES)
    hard, concrete = np.where(place % 4 == 0, 200.0, 50.0), place % 3 == 0
    sites = pl.DataFrame(
        {
            "site_id": [f"S{n:02d}" for n in place], "hardness_mg_l": hard,
            "tank_material": np.where(concrete, "concrete", "poly"), "tank_installed": [date(2024, 1, 1)] * SITES,
            "roof_material": ["metal"] * SITES, "tree_cover": np.where(place % 2 == 0, "heavy", "none"),
            "first_flush": ["yes"] * SITES, "occupants": [3.0] * SITES, "daily_litres": [400.0] * SITES,
        }
    )  # fmt: skip
    middle = 400.0 * (hard / 50.0) ** -0.6 * np.where(concrete, 0.5, 1.0)
    rows = []
    for site, days in zip(sites["site_id"], middle, strict=True):
        for life in days * np.exp(0.2 * stream.standard_normal(8)):
            rows.append((site, min(life, 300.0), life if life < 300 else np.inf))
    spells = pl.DataFrame(rows, schema=["site_id", "lower_days", "upper_days"], orient="row").with_columns(
        spell_id=pl.int_range(pl.len()), chapter=pl.lit(1), component=pl.lit("quartz_sleeve"), slot=pl.lit(""),
        part_number=pl.lit(None, pl.String), fitted_on=pl.lit(date(2025, 1, 1)), entry_days=pl.lit(0.0),
        daily_litres=pl.lit(None, pl.Float64),
    )  # fmt: skip
    units = sites.select(
        "site_id", chapter=pl.lit(1), component=pl.lit("quartz_sleeve"), slot=pl.lit(""),
        part_number=pl.lit(None, pl.String),
    )  # fmt: skip
    life = learn_component(
        KINDS["quartz_sleeve"], spells=spells, units=units, sites=sites, as_of=AS_OF, draws=20
    )
    return known_reasons(life)


def test_hard_water_and_a_young_concrete_tank_are_known_reasons_of_a_sleeve(sleeves: pl.DataFrame) -> None:
    short = sleeves.filter(pl.col("time_ratio") < 1)
    by_fact = {fact: set(rows["site_id"]) for (fact,), rows in short.group_by("fact")}
    assert by_fact == {
        "log_hardness": {f"S{n:02d}" for n in range(0, SITES, 4)},
        "tank_and_age": {f"S{n:02d}" for n in range(0, SITES, 3)},
    }
    hard = short.filter(pl.col("fact") == "log_hardness")
    assert hard["value"].to_numpy() == pytest.approx(200.0)
    assert hard["level"].null_count() == hard.height
    assert set(short.filter(pl.col("fact") == "tank_and_age")["level"]) == {"concrete under 4 years"}


def test_each_reason_is_clear_and_large_enough_to_matter(sleeves: pl.DataFrame) -> None:
    assert sleeves.select(((pl.col("high") < 1) | (pl.col("low") > 1)).all()).item()
    assert sleeves["time_ratio"].log().abs().min() >= np.log(1.1)
    both = sleeves.filter(pl.col("site_id") == "S00")["time_ratio"].to_list()
    assert both == sorted(both), "what matters most comes first"
