"""The next unit is taken to be of the part usually fitted there, whatever happens to be in place."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from fleetstats.components import KINDS
from fleetstats.life.learn import groups, learn_component, life_ahead, usual_parts
from fleetstats.life.predict import draw_lives

AS_OF = date(2025, 6, 30)
PLACE = {"component": "sediment_cartridge", "slot": ""}


def spells_of(parts: dict[str, str]) -> pl.DataFrame:
    """Return one spell a letter: site -> its parts, oldest first ('-' = no part written down)."""
    return pl.DataFrame(
        [
            {
                "site_id": site, **PLACE, "fitted_on": date(2020, 1, 1) + timedelta(days=100 * k),
                "part_number": None if part == "-" else part,
            }
            for site, told in parts.items()
            for k, part in enumerate(told)
        ]
    )  # fmt: skip


def test_the_usual_part_is_the_commonest_of_the_last_five_and_the_latest_of_equals() -> None:
    told = {"A": "AAAB", "B": "AAAAAABBB", "C": "AB", "D": "BA-", "E": "-"}
    units = pl.DataFrame(
        {"site_id": list("ABCDEF"), "part_number": ["B", "B", "B", None, "Z", "Y"]}
    ).with_columns(**{name: pl.lit(value) for name, value in PLACE.items()})
    found = usual_parts(units, spells_of(told))
    assert found["part_number"].to_list() == ["A", "B", "B", "A", "Z", "Y"]
    assert found["site_id"].to_list() == list("ABCDEF")


def test_lives_ahead_are_those_drawn_anew_for_that_part_and_others_stay() -> None:
    rng = np.random.default_rng(4)
    rows = []
    for site in range(40):
        for k in range(6):
            part = "BIG" if (site + k // 5) % 2 else "SMALL"
            life = (260 if part == "BIG" else 150) * np.exp(0.3 * rng.normal())
            rows.append(
                {
                    "spell_id": len(rows), "site_id": f"S{site:02d}", "chapter": 1, **PLACE,
                    "part_number": part, "fitted_on": date(2021, 1, 1) + timedelta(days=182 * k),
                    "lower_days": min(life, 182.0), "upper_days": life if life < 182 else np.inf,
                    "entry_days": 0.0, "daily_litres": None,
                }
            )  # fmt: skip
    spells = pl.DataFrame(rows, schema_overrides={"daily_litres": pl.Float64})
    sites = pl.DataFrame({"site_id": [f"S{site:02d}" for site in range(40)]}).with_columns(
        *(
            pl.lit(None, pl.String).alias(n)
            for n in ("tank_material", "roof_material", "tree_cover", "first_flush")
        ),
        *(pl.lit(None, pl.Float64).alias(n) for n in ("occupants", "daily_litres", "hardness_mg_l")),
        tank_installed=pl.lit(None, pl.Date),
    )
    in_place = spells.group_by("site_id", maintain_order=True).last()
    units = in_place.select("site_id", "chapter", "component", "slot", "part_number")
    life = learn_component(
        KINDS["sediment_cartridge"], spells=spells, units=units, sites=sites, as_of=AS_OF,
        draws=40, seed=3,
    )  # fmt: skip
    ahead = life_ahead(life, spells=spells, sites=sites, as_of=AS_OF)
    anew = draw_lives(ahead.average, covariates=ahead.covariates, sites=groups(ahead.units), draws=40, seed=3)
    # what is in place is the odd one out everywhere: five of the other part went before it
    assert np.allclose(ahead.lives.location, anew.location, rtol=0, atol=1e-12)
    assert np.array_equal(ahead.lives.site_effect, life.lives.site_effect)
    longer = ahead.lives.median().mean(axis=1) > life.lives.median().mean(axis=1)
    assert longer.tolist() == [part == "SMALL" for part in units["part_number"]]


def test_nothing_moves_where_the_usual_part_is_in_place() -> None:
    rng = np.random.default_rng(1)
    spells = pl.DataFrame(
        {
            "spell_id": range(20), "site_id": [f"S{k % 10}" for k in range(20)], "chapter": 1,
            "part_number": "ONE", "fitted_on": AS_OF, "lower_days": 100.0 + rng.random(20),
            "upper_days": np.inf, "entry_days": 0.0, "daily_litres": pl.Series([None] * 20, dtype=pl.Float64),
        }
    ).with_columns(**{name: pl.lit(value) for name, value in PLACE.items()})  # fmt: skip
    sites = pl.DataFrame({"site_id": [f"S{k}" for k in range(10)]}).with_columns(
        *(
            pl.lit(None, pl.String).alias(n)
            for n in ("tank_material", "roof_material", "tree_cover", "first_flush")
        ),
        *(pl.lit(None, pl.Float64).alias(n) for n in ("occupants", "daily_litres", "hardness_mg_l")),
        tank_installed=pl.lit(None, pl.Date),
    )
    units = spells.head(10).select("site_id", "chapter", "component", "slot", "part_number")
    life = learn_component(
        KINDS["sediment_cartridge"],
        spells=spells,
        units=units,
        sites=sites,
        as_of=AS_OF,
        draws=8,
    )
    assert life_ahead(life, spells=spells, sites=sites, as_of=AS_OF) is life
