"""What is known of each unit's water and part, as columns that the life model can use."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.components import Role
from fleetstats.life.priors import DAILY_USE

#: Litres a person uses in a day where no meter is read: middle of 130-180, BRANZ 2008 (Auckland,
#: metered), read second-hand.
LITRES_PER_PERSON_DAY = 155.0
#: Where the logarithms are zero, so that the intercept is the life of a middling home.
TYPICAL_DAILY_LITRES, TYPICAL_HARDNESS_MG_L = 400.0, 60.0
#: A level seen at fewer sites or in fewer spells than this is merged into "other".
RARE_SITES, RARE_SPELLS = 3, 12
#: A concrete tank's calcium fades with age (trade article; South African WRC 2019 for the rise).
YOUNG_CONCRETE_YEARS, OLD_CONCRETE_YEARS = 4.0, 10.0

#: The level that the others are told against, where the trade has a natural one; else the commonest.
_NATURAL_FIRST: Mapping[str, str] = {"tree_cover": "none", "first_flush": "no"}

#: Terms whose direction is known beforehand: load goes with the litres passed, scale with hardness.
KNOWN_DIRECTION: Mapping[str, tuple[float, float]] = {**DAILY_USE, "log_hardness": (-0.7, 0.5)}


@dataclass(frozen=True, slots=True)
class WaterCoding:
    """How facts become covariates for one component: columns, levels kept, typical values.

    Attributes
    ----------
    numbers : tuple of str
        Numeric columns in use.
    levels : mapping
        Column name -> levels kept, reference level first; a rare one becomes "other" where "other" is kept.
    """

    numbers: tuple[str, ...]
    levels: Mapping[str, tuple[str, ...]]

    def frame(self, facts: pl.DataFrame) -> pl.DataFrame:
        """Return the covariates, one row for each row of `facts`, coded as at the fit.

        Parameters
        ----------
        facts : polars frame, n rows
            As returned by `water_facts`.

        Returns
        -------
        polars frame, n rows
            Numbers as Float64, factors as Enum with the reference level first; null where unknown.
        """
        columns = [pl.col(name) for name in self.numbers]
        for name, kept in self.levels.items():
            column = pl.col(name)
            if "other" in kept:
                known = pl.when(column.is_in(list(kept)) | column.is_null()).then(column)
                column = known.otherwise(pl.lit("other"))
            else:
                column = pl.when(column.is_in(list(kept))).then(column).otherwise(None)
            columns.append(column.cast(pl.Enum(list(kept))).alias(name))
        return facts.select(columns)


def water_facts(units: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return the facts in force for each unit, one row for each row of `units`, in its order.

    Parameters
    ----------
    units : polars frame, n rows
        site_id, part_number; optionally daily_litres (of that spell) and fitted_on.
    sites : polars frame
        One row a site: tank_material, tank_installed, roof_material, tree_cover, first_flush, occupants,
        daily_litres, hardness_mg_l.

    Returns
    -------
    polars frame, n rows
        site_id, log_daily_litres (log of litres a day over 400), log_hardness (log of mg/L over 60),
        tank_material, tank_and_age, roof_material, tree_cover, first_flush, part_number; null where unknown.
    """
    own = units.select(
        "site_id",
        pl.col("part_number").cast(pl.String),
        _column(units, "daily_litres", pl.Float64).alias("own_litres"),
        _column(units, "fitted_on", pl.Date).alias("fitted_on"),
    )
    facts = sites.select(
        "site_id",
        *("tank_material", "tank_installed", "roof_material", "tree_cover", "occupants", "hardness_mg_l"),
        pl.col("daily_litres").alias("site_litres"),
        pl.when(pl.col("first_flush")).then(pl.lit("yes")).otherwise(pl.lit("no")).alias("first_flush")
        if sites.schema["first_flush"] == pl.Boolean
        else pl.col("first_flush"),
        pl.col("first_flush").is_null().alias("no_flush_word"),
    )
    joined = own.join(facts, on="site_id", how="left", maintain_order="left")
    by_heads = pl.col("occupants") * LITRES_PER_PERSON_DAY
    litres = pl.coalesce("own_litres", "site_litres", by_heads)
    age = (pl.col("fitted_on") - pl.col("tank_installed")).dt.total_days() / 365.25
    return joined.select(
        "site_id",
        pl.when(litres > 0).then((litres / TYPICAL_DAILY_LITRES).log()).alias("log_daily_litres"),
        pl.when(pl.col("hardness_mg_l") > 0)
        .then((pl.col("hardness_mg_l").clip(lower_bound=5.0) / TYPICAL_HARDNESS_MG_L).log())
        .alias("log_hardness"),
        "tank_material",
        _tank_and_age(pl.col("tank_material"), age).alias("tank_and_age"),
        "roof_material",
        "tree_cover",
        pl.when(pl.col("no_flush_word")).then(None).otherwise(pl.col("first_flush")).alias("first_flush"),
        "part_number",
    )


def choose_coding(role: Role, facts: pl.DataFrame) -> WaterCoding:
    """Return how the facts that matter for a role are coded, from the spells seen.

    Columns that say nothing (all blank, or one level and no blank) are left out; rare levels are merged.

    Parameters
    ----------
    role : Role
    facts : polars frame
        As returned by `water_facts`, one row a spell.
    """
    numbers = tuple(
        name for name in role.facts if facts.schema[name].is_numeric() and _varies(facts[name].to_numpy())
    )
    levels = {}
    for name in role.facts:
        if facts.schema[name].is_numeric():
            continue
        kept = _kept_levels(name, facts)
        if len(kept) > 1 or (len(kept) == 1 and facts[name].null_count() > 0):
            levels[name] = kept
    return WaterCoding(numbers, levels)


def reference_of(coding: WaterCoding) -> dict[str, str]:
    """Return, for each factor column, the level that the others are told against."""
    return {name: kept[0] for name, kept in coding.levels.items()}


def _kept_levels(name: str, facts: pl.DataFrame) -> tuple[str, ...]:
    counts = (
        facts.filter(pl.col(name).is_not_null())
        .group_by(name)
        .agg(pl.len().alias("spells"), pl.col("site_id").n_unique().alias("sites"))
        .sort(["spells", name], descending=[True, False])
    )
    common = (pl.col("spells") >= RARE_SPELLS) & (pl.col("sites") >= RARE_SITES)
    kept: Sequence[str] = counts.filter(common)[name].to_list()
    rare = counts.filter(~common)
    if not kept:
        return ()
    first = _NATURAL_FIRST.get(name, "")
    ordered = [first, *(level for level in kept if level != first)] if first in kept else list(kept)
    if rare.height and "other" not in ordered:
        ordered.append("other")
    return tuple(ordered)


def _varies(values: np.ndarray) -> bool:
    known = values[np.isfinite(values.astype(float))]
    return known.size >= RARE_SPELLS and float(np.ptp(known)) > 0.05


def _column(frame: pl.DataFrame, name: str, kind: type[pl.DataType]) -> pl.Expr:
    return pl.col(name).cast(kind) if name in frame.columns else pl.lit(None, dtype=kind)


def _tank_and_age(material: pl.Expr, age_years: pl.Expr) -> pl.Expr:
    concrete = material == "concrete"
    return (
        pl.when(concrete & age_years.is_null())
        .then(pl.lit("concrete of unknown age"))
        .when(concrete & (age_years < YOUNG_CONCRETE_YEARS))
        .then(pl.lit("concrete under 4 years"))
        .when(concrete & (age_years < OLD_CONCRETE_YEARS))
        .then(pl.lit("concrete 4 to 10 years"))
        .when(concrete)
        .then(pl.lit("concrete over 10 years"))
        .otherwise(material)
    )
