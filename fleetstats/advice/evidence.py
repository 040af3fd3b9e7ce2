"""How much the records can carry: the level of advice for each component, and the ages seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import polars as pl

#: Fewer failures than this leave a life uncertain by a factor of 1.8 (chi-squared, 2 x 10): no advice.
FAILURES_FOR_ADVICE: Final = 10
#: From here on the spread between sites can be told from chance, and each site is planned by its own records.
FAILURES_FOR_SITES: Final = 30
#: A year shows every season once.
MONTHS_FOR_ADVICE: Final = 12.0
#: Failures at one site from which its own records say more than those of sites like it.
FAILURES_OF_ITS_OWN: Final = 3
#: Units that must have reached an age before it counts as seen.
UNITS_SEEN: Final = 10

DUE_LIST_ONLY, FLEET_TYPICAL, PER_SITE = "due_list_only", "fleet_typical", "per_site"


def advice_levels(*, units: pl.DataFrame, months_seen: float) -> pl.DataFrame:
    """Return the level of advice for each component, and what would settle more.

    Columns component, level, spells, failures, months_seen, months_to_wait, wanted. `months_to_wait` is
    roughly how long until the next level at the pace so far (null: no failure yet to go by, or the last
    level reached); `wanted` says in words which records would settle it.

    Parameters
    ----------
    units : polars frame
        component, spells, failures; every unit ever seen, served or not.
    months_seen : float
        Months between the first visit on record and the as-of date.
    """
    counts = (
        units.group_by("component").agg(pl.col("spells").sum(), pl.col("failures").sum()).sort("component")
    )
    rows = [
        {**row, "months_seen": months_seen, **_level(int(row["failures"]), months_seen)}
        for row in counts.iter_rows(named=True)
    ]
    schema = {
        "component": pl.String, "level": pl.String, "spells": pl.Int64, "failures": pl.Int64,
        "months_seen": pl.Float64, "months_to_wait": pl.Float64, "wanted": pl.String,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def _level(failures: int, months_seen: float) -> dict[str, object]:
    if failures >= FAILURES_FOR_SITES and months_seen >= MONTHS_FOR_ADVICE:
        return {"level": PER_SITE, "months_to_wait": None, "wanted": ""}
    enough = failures >= FAILURES_FOR_ADVICE and months_seen >= MONTHS_FOR_ADVICE
    goal = FAILURES_FOR_SITES if enough else FAILURES_FOR_ADVICE
    wait = max(MONTHS_FOR_ADVICE - months_seen, 0.0)
    missing = max(goal - failures, 0)
    months = None if missing and not failures else wait
    if missing and failures:
        months = float(math.ceil(max(wait, missing * months_seen / failures)))
    wanted = f"{missing} more found spent, with what was found written down at every visit" if missing else ""
    if wait:
        year = f"records of a whole year ({math.ceil(wait)} months more)"
        wanted = f"{wanted}, and {year}" if wanted else year
    return {"level": FLEET_TYPICAL if enough else DUE_LIST_ONLY, "months_to_wait": months, "wanted": wanted}


def ages_seen(*, spells: pl.DataFrame, units: pl.DataFrame, like: Sequence[str]) -> pl.DataFrame:
    """Return `units` with `seen_days`: the age that 10 units there or at sites like it were seen to reach.

    Parameters
    ----------
    spells : polars frame
        site_id, component, lower_days, upper_days, and the columns of `like`.
    units : polars frame
        site_id, component, and the columns of `like`.
    like : sequence of str
        Facts that make sites alike, the one that matters least last: where fewer than 10 units share
        them all the last is dropped, and so on to the whole fleet.
    """
    reached = spells.with_columns(
        age=pl.when(pl.col("upper_days").is_finite())
        .then(pl.col("upper_days"))
        .otherwise(pl.col("lower_days"))
    )
    out = units.with_columns(pl.lit(None, pl.Float64).alias("seen_days"))
    for shared in range(len(like), -1, -1):
        keys = ["component", *like[:shared]]
        tenth = (
            reached.group_by(keys)
            .agg(pl.col("age").sort(descending=True).get(UNITS_SEEN - 1, null_on_oob=True).alias("_here"))
            .filter(pl.col("_here").is_not_null())
        )
        out = (
            out.join(tenth, on=keys, how="left", nulls_equal=True, maintain_order="left")
            .with_columns(pl.coalesce("seen_days", "_here").alias("seen_days"))
            .drop("_here")
        )
    return out
