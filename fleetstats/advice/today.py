"""Today's rule as the records show it: visit interval, each component's interval, how late visits are."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from fleetstats.quantities import WEEK

PLANNED_REASONS: Final = ("routine", "commission")
#: A longer gap than this many visit intervals is a visit missed or a customer away, not a late one.
_MISSED: Final = 1.5
_LATE_SHARE: Final = 0.9
#: With fewer gaps than this the records do not say how late visits are.
ENOUGH_GAPS: Final = 20
#: Then two weeks (common practice: a planned visit is booked within a fortnight).
ASSUMED_LATENESS_DAYS: Final = 14.0
_ENOUGH_RENEWALS: Final = 10


@dataclass(frozen=True, slots=True)
class Lateness:
    """How late planned visits happen: days, the gaps between visits it rests on, and where it comes from."""

    days: float
    gaps: int
    origin: str


@dataclass(frozen=True, slots=True)
class CurrentRule:
    """Today's rule.

    Attributes
    ----------
    visit_interval_days : float
    visit_origin : str
        Where it comes from, in words.
    intervals : polars frame
        component, current_interval_days, renewals (it rests on), origin.
    """

    visit_interval_days: float
    visit_origin: str
    intervals: pl.DataFrame


def usual_lateness(visits: pl.DataFrame, current_visit_days: float) -> Lateness:
    """Return the 90th percentile of how late planned visits happen, days.

    A gap between two planned visits that is longer than today's visit interval is late by the difference;
    an early visit is not late. Gaps over one and a half visit intervals are left out, so that lost
    customers, empty homes and visits never made do not count as lateness.

    Parameters
    ----------
    visits : polars frame
        site_id, visit_date, visit_reason.
    current_visit_days : float
    """
    gaps = _planned_gaps(visits).filter(pl.col("gap") <= _MISSED * current_visit_days)
    if len(gaps) < ENOUGH_GAPS:
        said = f"assumed: only {len(gaps)} gaps between planned visits on record"
        return Lateness(ASSUMED_LATENESS_DAYS, len(gaps), said)
    late = (gaps["gap"] - current_visit_days).clip(0)
    days = float(late.quantile(_LATE_SHARE, "higher") or 0.0)
    return Lateness(days, len(gaps), f"9 in 10 of {len(gaps)} planned visits were no later than this")


def infer_current_rule(
    *,
    visits: pl.DataFrame,
    spells: pl.DataFrame,
    components: Sequence[str],
    customary_days: Mapping[str, float],
) -> CurrentRule:
    """Return today's rule as the records show it: in visits and their multiples.

    The visit interval is the middle gap between planned visits in whole weeks; a component's interval is the
    number of visits nearest to its middle age at a planned renewal.

    Parameters
    ----------
    visits : polars frame
        site_id, visit_date, visit_reason.
    spells : polars frame
        component, fitted_on, ended_on, ended_how.
    components : sequence of str
    customary_days : mapping
        Component -> the trade's usual interval, which stands in where the records are too few.
    """
    gaps = _planned_gaps(visits)
    shortest = min((customary_days[name] for name in components), default=182.0)
    visit, visit_origin = shortest, "customary: too few planned visits on record"
    if len(gaps) >= ENOUGH_GAPS:
        visit = float(max(round(_middle(gaps["gap"]) / WEEK), 1) * WEEK)
        visit_origin = f"records: middle of {len(gaps)} gaps between planned visits"
    ages = _planned_renewals(spells)
    rows = []
    for name in components:
        own = ages.filter(pl.col("component") == name)["age"]
        days, origin = customary_days[name], f"customary: {len(own)} planned renewals on record"
        if len(own) >= _ENOUGH_RENEWALS:
            # a unit from a call-out comes out younger, though at a visit all the same: count in visits
            days = visit * max(round(_middle(own) / visit), 1)
            origin = f"records: middle age at {len(own)} planned renewals"
        rows.append((name, days, len(own), origin))
    schema = {
        "component": pl.String,
        "current_interval_days": pl.Float64,
        "renewals": pl.Int64,
        "origin": pl.String,
    }
    return CurrentRule(visit, visit_origin, pl.DataFrame(rows, schema=schema, orient="row"))


def last_planned_visits(visits: pl.DataFrame) -> pl.DataFrame:
    """Return the last planned visit of each site, or its last of any kind: site_id, last_planned_on."""
    planned = pl.col("visit_date").filter(pl.col("visit_reason").is_in(PLANNED_REASONS)).max()
    return visits.group_by("site_id").agg(last_planned_on=pl.coalesce(planned, pl.col("visit_date").max()))


def _planned_gaps(visits: pl.DataFrame) -> pl.DataFrame:
    planned = (
        visits.filter(pl.col("visit_reason").is_in(PLANNED_REASONS)).select("site_id", "visit_date").unique()
    )
    gap = pl.col("visit_date").diff().over("site_id").dt.total_days()
    return planned.sort("site_id", "visit_date").select("site_id", gap=gap).drop_nulls()


def _planned_renewals(spells: pl.DataFrame) -> pl.DataFrame:
    """Return the age at which units came out that nothing was known to be wrong with."""
    ended = spells.filter(
        pl.col("ended_how").is_in(("taken_out", "unknown")) & pl.col("ended_on").is_not_null()
    )
    return ended.select(
        "component", age=(pl.col("ended_on") - pl.col("fitted_on")).dt.total_days()
    ).drop_nulls()


def _middle(days: pl.Series) -> float:
    return float(np.median(days.to_numpy()))
