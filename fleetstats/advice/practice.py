"""Today's practice beside today's rule: young units that planned visits renew all the same."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Final

import polars as pl

from fleetstats.advice.today import PLANNED_REASONS

#: Only the practice of the last two years is today's.
RECENT_DAYS: Final = 730
#: With fewer such visits the records do not tell a practice; the visit rule stands in.
ENOUGH_CASES: Final = 10
#: Quarters of a visit interval that a unit is past its last turn but one; beyond the second it is due anyway.
QUARTERS: Final = (1, 2)
_QUARTER: Final = 0.25


def todays_practice(
    *,
    visits: pl.DataFrame,
    spells: pl.DataFrame,
    visit_days: float,
    every_n: Mapping[str, int],
    as_of: date,
) -> pl.DataFrame:
    """Return how often planned visits renewed units that the visit rule leaves in until the visit after.

    The rule leaves in what will be no more than half a visit interval past its own interval when the next
    visit comes: with renewal at every visit, what is younger than half of one. Units found at the end of
    their life are renewed by any rule and are left out, and so are those that a planned visit fitted: they
    are in step with the visits, a few days early or late.

    Parameters
    ----------
    visits : polars frame
        site_id, visit_date, visit_reason.
    spells : polars frame
        site_id, component, fitted_on, ended_on, ended_how.
    visit_days : float
        Today's visit interval.
    every_n : mapping of str to int
        Component -> every how many visits today's rule renews it.
    as_of : date

    Returns
    -------
    polars frame
        component, quarter (1: up to a quarter of a visit interval old, beyond full turns; 2: up to half),
        visits, renewed, share (null with fewer visits than `ENOUGH_CASES`); a row each, in order.
    """
    cases = _young_at_visits(visits, spells, visit_days, every_n, as_of)
    counted = cases.group_by("component", "quarter").agg(
        visits=pl.len().cast(pl.Int64), renewed=pl.col("renewed").sum().cast(pl.Int64)
    )
    names = pl.DataFrame({"component": sorted(every_n)}, schema={"component": pl.String})
    rows = names.join(pl.DataFrame({"quarter": QUARTERS}, schema={"quarter": pl.Int64}), how="cross")
    told = rows.join(counted, on=["component", "quarter"], how="left", maintain_order="left").with_columns(
        pl.col("visits", "renewed").fill_null(0)
    )
    enough = pl.col("visits") >= ENOUGH_CASES
    share = pl.when(enough).then(pl.col("renewed") / pl.col("visits"))
    return told.with_columns(share=share)


def renewed_young(practice: pl.DataFrame, component: str) -> tuple[float, float]:
    """Return the shares at which young units of a component are renewed, youngest first; (0, 0): the rule.

    A quarter with too few visits goes by the other one, and the older are never renewed less often.
    """
    own = practice.filter(pl.col("component") == component)
    known = dict(own.drop_nulls("share").select("quarter", "share").iter_rows())
    if not known:
        return 0.0, 0.0
    either = max(known.values())
    first, second = (float(known.get(quarter, either)) for quarter in QUARTERS)
    return first, max(first, second)


def _young_at_visits(
    visits: pl.DataFrame,
    spells: pl.DataFrame,
    visit_days: float,
    every_n: Mapping[str, int],
    as_of: date,
) -> pl.DataFrame:
    """Return each young unit at each planned visit: component, quarter, renewed."""
    since = as_of - timedelta(days=RECENT_DAYS)
    planned = visits.filter(pl.col("visit_reason").is_in(PLANNED_REASONS))
    planned = planned.select("site_id", "visit_date").unique()
    units = (
        spells.filter(pl.col("component").is_in(list(every_n)))
        .select("site_id", "component", "fitted_on", "ended_on", "ended_how")
        .join(planned, left_on=["site_id", "fitted_on"], right_on=["site_id", "visit_date"], how="anti")
    )
    recent = planned.filter(pl.col("visit_date") > since)
    met = units.join(recent, on="site_id").filter(
        (pl.col("visit_date") > pl.col("fitted_on"))
        & (pl.col("ended_on").is_null() | (pl.col("visit_date") <= pl.col("ended_on")))
    )
    turns = pl.col("component").replace_strict(dict(every_n), default=1, return_dtype=pl.Int64) - 1
    past = (pl.col("visit_date") - pl.col("fitted_on")).dt.total_days() / visit_days - turns
    out = (pl.col("ended_on") == pl.col("visit_date")).fill_null(False)
    spent = pl.col("ended_how").is_in(("failed", "found_spent"))
    return met.with_columns(quarter=(past / _QUARTER).ceil().cast(pl.Int64), renewed=out).filter(
        pl.col("quarter").is_in(list(QUARTERS)) & ~(out & spent)
    )
