"""The life of the next unit where the one in place is not of the part that is usually fitted there."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Final

import polars as pl

from fleetstats.life.covariates import water_facts
from fleetstats.life.learn import ComponentLife
from fleetstats.life.predict import moved_lives

#: What is usual is told by the last fittings, so that a change of part for good is taken up.
LAST_FITTINGS: Final = 5
_PLACE = ("site_id", "component", "slot")


def usual_parts(units: pl.DataFrame, spells: pl.DataFrame) -> pl.DataFrame:
    """Return `units` with the part most often among the last five fitted there; the latest where some tie.

    A place where no part is on record keeps what `units` says.

    Parameters
    ----------
    units : polars frame, n rows
        site_id, component, slot, part_number.
    spells : polars frame
        site_id, component, slot, part_number, fitted_on.
    """
    fitted = (
        spells.filter(pl.col("part_number").is_not_null())
        .sort(*_PLACE, "fitted_on")
        .with_columns(before=pl.int_range(pl.len(), 0, -1).over(*_PLACE))
        .filter(pl.col("before") <= LAST_FITTINGS)
    )
    usual = (
        fitted.group_by(*_PLACE, "part_number")
        .agg(pl.len().alias("times"), pl.col("before").min())
        .sort(*_PLACE, "times", "before", descending=[False, False, False, True, False])
        .unique(_PLACE, keep="first", maintain_order=True)
        .select(*_PLACE, usual="part_number")
    )
    joined = units.join(usual, on=list(_PLACE), how="left", maintain_order="left")
    return joined.with_columns(part_number=pl.coalesce("usual", "part_number")).drop("usual")


def life_ahead(
    life: ComponentLife, *, spells: pl.DataFrame, sites: pl.DataFrame, as_of: date
) -> ComponentLife:
    """Return what was learned, with `lives` and `covariates` of the part usually fitted at each place.

    What is known of the sites, and each draw of what is not, stay as they were.

    Parameters
    ----------
    life : ComponentLife
    spells, sites : polars frames
        The relations of these names; spells of other components are passed over.
    as_of : date
        The day on which the next spell is taken to begin.
    """
    own = spells.filter(pl.col("component") == life.component)
    usual = usual_parts(life.units, own)
    if life.covariates is None or usual["part_number"].equals(life.units["part_number"]):
        return life
    then = life.coding.frame(water_facts(usual.with_columns(fitted_on=pl.lit(as_of)), sites))
    moved = moved_lives(life.average, life.lives, now=life.covariates, then=then, seed=life.seed)
    return replace(life, covariates=then, lives=moved)
