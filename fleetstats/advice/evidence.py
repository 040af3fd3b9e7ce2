"""How much the records can carry: the level of advice for each component, and the ages seen."""

import heapq
import math
from typing import Final

import numpy as np
import polars as pl

from fleetstats.quantities import FloatArray
from fleetstats.tables import TABLES

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
    return TABLES["evidence_levels"].of(rows)


def too_few_for_costs(levels: pl.DataFrame) -> bool:
    """Return whether no component has the records for advice: then no costs, savings or call-outs are told.

    Parameters
    ----------
    levels : polars frame
        As returned by `advice_levels`.
    """
    return levels.height > 0 and bool((levels["level"] == DUE_LIST_ONLY).all())


def costs_to_tell(plans: pl.DataFrame, levels: pl.DataFrame) -> pl.DataFrame:
    """Return the plans of sites, their costs, savings and call-outs blank where records are too few for them.

    Parameters
    ----------
    plans, levels : polars frames
        The plans of `VisitPlans`, and what `advice_levels` returned.
    """
    if not too_few_for_costs(levels):
        return plans
    return plans.with_columns(
        pl.lit(None, kind).alias(name)
        for name, kind in plans.schema.items()
        if name.startswith(("cost_per_year", "callouts_per_year", "saving_", "low", "high"))
    )


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


def ages_seen(*, spells: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Return `units` with `seen_days`: the age that 10 units there or at sites no slower were seen to reach.

    A site no slower is one whose units of that component are expected to last no longer: what was seen to
    last there may be looked for here. Null where fewer than 10 units were ever watched at such sites.

    Parameters
    ----------
    spells : polars frame
        site_id, component, lower_days, upper_days.
    units : polars frame
        site_id, component, median_days (expected life; null = not known).
    """
    expected = units.group_by("site_id", "component").agg(pl.col("median_days").min())
    reached = (
        spells.join(expected, on=["site_id", "component"])
        .with_columns(
            age=pl.when(pl.col("upper_days").is_finite())
            .then(pl.col("upper_days"))
            .otherwise(pl.col("lower_days"))
        )
        .drop_nulls("median_days")
        .sort("component", "median_days", "age", "site_id")
    )
    seen = np.full(len(units), np.nan)
    names, median = units["component"].to_numpy(), units["median_days"].cast(pl.Float64).to_numpy()
    for (name,), watched in reached.group_by("component", maintain_order=True):
        at = np.flatnonzero(names == name)
        tenth = _tenth_highest_so_far(watched["age"].to_numpy())
        before = np.searchsorted(watched["median_days"].to_numpy(), median[at], side="right")
        seen[at] = np.where(np.isnan(median[at]), np.nan, np.append(np.nan, tenth)[before])
    return units.with_columns(pl.Series("seen_days", seen).fill_nan(None))


def _tenth_highest_so_far(ages: FloatArray) -> FloatArray:
    """Return for each place the tenth highest of the ages up to it, nan before there are ten."""
    highest: list[float] = []
    found = np.full(len(ages), np.nan)
    for place, age in enumerate(ages.tolist()):
        if len(highest) < UNITS_SEEN:
            heapq.heappush(highest, age)
        else:
            heapq.heappushpop(highest, age)
        if len(highest) == UNITS_SEEN:
            found[place] = highest[0]
    return found
