"""Which part follows which: how often a place is given another part than the one that came out."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from fleetstats.quantities import FloatArray, IndexArray

#: A change of part half a year ago says half as much of the next one as a change of today.
HALF_WEIGHT_DAYS = 182.0
_PLACE = ("site_id", "component", "slot")


def part_changes(spells: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return how often each part was followed by each other part, or by itself, what is recent counting more.

    A firm that takes whichever cartridge is in the van, and one that is moving from one supplier to another,
    will not need next year the parts that are in place today.

    Parameters
    ----------
    spells : polars frame
        site_id, component, slot, part_number (null = unknown), fitted_on, ended_on
        (null = in place), renewed_by.
    as_of : date

    Returns
    -------
    polars frame
        component, part_number, next_part_number, weight (a change of today counts 1). Cleanings change no
        part, and where either part is unknown nothing is learned.
    """
    placed = spells.filter(pl.col("renewed_by").is_null() | (pl.col("renewed_by") != "cleaned"))
    number = pl.col("part_number").cast(pl.String).str.strip_chars().replace("", None)
    days_ago = (pl.lit(as_of) - pl.col("fitted_on")).dt.total_days().cast(pl.Float64).clip(lower_bound=0.0)
    return (
        placed.with_columns(part_number=number)
        .sort(*_PLACE, "fitted_on", maintain_order=True)
        .with_columns(
            came_out=pl.col("part_number").shift(1).over(_PLACE),
            left_on=pl.col("ended_on").shift(1).over(_PLACE),
        )
        # a fitting in between that is left out of the estimate hides what followed what
        .filter(pl.col("left_on") == pl.col("fitted_on"))
        .drop_nulls(["part_number", "came_out"])
        .group_by("component", pl.col("came_out"), pl.col("part_number").alias("next_part_number"))
        .agg(weight=(0.5 ** (days_ago / HALF_WEIGHT_DAYS)).sum())
        .rename({"came_out": "part_number"})
        .sort("component", "part_number", "next_part_number")
    )


@dataclass(frozen=True, slots=True)
class NextPart:
    """The chance of each part to follow each other, in each replicate.

    Attributes
    ----------
    up_to : numpy.ndarray (R, P, P)
        Chance that part i is followed by one of the parts 0 to j; the last is 1.
    """

    up_to: FloatArray

    def draw(self, part: IndexArray, replicate: IndexArray, rng: np.random.Generator) -> IndexArray:
        """Return the part (m,) fitted next where `part` (m,) comes out in `replicate` (m,)."""
        chance = self.up_to[replicate, part, :-1]
        place: IndexArray = (rng.random(part.size)[:, None] >= chance).sum(axis=1)
        return place


def next_part(
    changes: pl.DataFrame | None, parts: pl.DataFrame, component: str, *, replicates: int, seed: list[int]
) -> NextPart | None:
    """Return the chances of the next part, or None where every part is followed by itself.

    Each replicate draws its chances from a Dirichlet distribution with the weights as its numbers: few
    changes on record leave the next part uncertain in every month alike. A part of which no change is on
    record is followed by itself.

    Parameters
    ----------
    changes : polars frame or None
        As `part_changes` returns.
    parts : polars frame, P rows of this component
        part_number.
    component : str
    replicates : int
        R.
    seed : list of int
    """
    numbers = {name: place for place, name in enumerate(parts["part_number"])}
    weight = np.zeros((len(numbers), len(numbers)))
    if changes is not None:
        for row in changes.filter(pl.col("component") == component).iter_rows(named=True):
            at = numbers.get(row["part_number"]), numbers.get(row["next_part_number"])
            if at[0] is not None and at[1] is not None:
                weight[at] += row["weight"]
    unknown = weight.sum(axis=1) == 0.0
    weight[unknown, unknown] = 1.0
    if not (weight * (1.0 - np.eye(len(numbers)))).any():
        return None
    drawn = np.random.default_rng(seed).standard_gamma(weight, size=(replicates, *weight.shape))
    # weights far below 1 may all underflow in a replicate; the likeliest part follows then
    likeliest = np.eye(len(numbers))[weight.argmax(axis=1)]
    drawn = np.where(drawn.sum(axis=2, keepdims=True) > 0.0, drawn, likeliest)
    up_to = np.cumsum(drawn, axis=2)
    return NextPart(up_to / up_to[:, :, -1:])
