"""What has changed since the analysis before, and whether intervals that were decided on have paid."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Final

import polars as pl

from fleetstats.advice.binding import COST
from fleetstats.advice.decisions import FIXING
from fleetstats.quantities import DAYS_PER_YEAR, WEEK
from fleetstats.tables import TABLES

#: Columns of `intervals` that are held against the next analysis.
HELD_AGAINST: Final = (
    "site_id", "component", "slot", "visit_interval_days", "interval_days", "limited_by", "spells",
    "failures",
)  # fmt: skip
#: So long before a decision its site is looked at, and so long after it nothing is said yet.
LOOK_BACK_DAYS, SHORTEST_AFTER_DAYS = 730, 182
#: Visits this much further apart than decided, or closer by as much, are not what was decided.
NOT_AS_DECIDED: Final = 1.5
_PLACE = ("site_id", "component", "slot")


def plan_changes(
    *, before: pl.DataFrame, now: pl.DataFrame, since: date, other_settings: bool
) -> pl.DataFrame:
    """Return the intervals that are no longer what they were, by a week or more.

    Parameters
    ----------
    before, now : polars frame
        The table `intervals` of both analyses: columns `HELD_AGAINST`; of now hard_limit_days too.
    since : date
        As-of date of the analysis before.
    other_settings : bool
        The settings are not what they were.

    Returns
    -------
    polars frame
        The table `plan_changes`; component null: the interval between visits of the site. reason:
        settings, limit (it is held by another now: `limited_by`), freed (longer, as `limited_by` does not
        hold it any more), records_here (new fittings or findings at this site), records_elsewhere.
        Places that only one analysis knows are no change.
    """
    bound = pl.col("limited_by") != pl.col("limited_by_now")
    both = (
        before.select(HELD_AGAINST)
        .join(
            now.select(*HELD_AGAINST, "hard_limit_days"),
            on=list(_PLACE),
            suffix="_now",
            maintain_order="left",
        )
        .with_columns(
            (pl.col("spells_now") - pl.col("spells")).alias("spells_more"),
            (pl.col("failures_now") - pl.col("failures")).alias("failures_more"),
            bound.fill_null(False).alias("bound_anew"),
            _tight().alias("_tight"),
        )
    )
    visits = _of_sites(both)
    units = both.rename({"interval_days": "was", "interval_days_now": "is"}).select(visits.columns)
    reason = _reason(other_settings)
    return (
        pl.concat([visits, units], how="vertical_relaxed")
        .filter((pl.col("was").cast(pl.Float64) - pl.col("is").cast(pl.Float64)).abs() >= WEEK)
        .with_columns(
            interval_before_days=pl.col("was"),
            interval_days=pl.col("is"),
            reason=reason,
            limited_by=pl.when(reason == "freed").then("limited_by").otherwise("limited_by_now"),
            since=pl.lit(since),
        )
        .sort("site_id", "component", "slot", nulls_last=False)
        .select(column.name for column in TABLES["plan_changes"].columns)
    )


def _of_sites(both: pl.DataFrame) -> pl.DataFrame:
    """Return the visit intervals of the sites, a row each, from the units of both analyses."""
    # what holds the visits of a site is what holds the unit at its limit, else the one renewed most often
    lead = [~pl.col("_tight"), pl.col("interval_days_now")]
    return (
        both.group_by("site_id", maintain_order=True)
        .agg(
            pl.lit(None, pl.String).alias("component"),
            pl.lit("").alias("slot"),
            pl.col("visit_interval_days", "visit_interval_days_now").first(),
            pl.col("spells_more", "failures_more").sum(),
            pl.col("limited_by_now", "bound_anew").sort_by(lead, maintain_order=True).first(),
            pl.col("limited_by").sort_by("interval_days", maintain_order=True).first(),
        )
        .rename({"visit_interval_days": "was", "visit_interval_days_now": "is"})
    )


def _tight() -> pl.Expr:
    """Return whether a unit's hard limit allows no visits a week further apart."""
    nth = pl.col("interval_days_now") / pl.col("visit_interval_days_now")
    return (pl.col("hard_limit_days") < pl.col("interval_days_now") + WEEK * nth).fill_null(False)


def _reason(other_settings: bool) -> pl.Expr:
    here = (pl.col("spells_more") != 0) | (pl.col("failures_more") != 0)
    shorter = pl.col("is") < pl.col("was")
    return (
        pl.when(pl.lit(other_settings))
        .then(pl.lit("settings"))
        .when(pl.col("bound_anew") & shorter & (pl.col("limited_by_now") != COST))
        .then(pl.lit("limit"))
        .when(pl.col("bound_anew") & ~shorter & (pl.col("limited_by") != COST))
        .then(pl.lit("freed"))
        .when(here.fill_null(False))
        .then(pl.lit("records_here"))
        .otherwise(pl.lit("records_elsewhere"))
    )


@dataclass(frozen=True, slots=True)
class _Time:
    """A stretch of time at one site: its first and last day, call-outs, and the days of planned visits."""

    start: date
    end: date
    callouts: int
    planned: tuple[date, ...]

    @property
    def days(self) -> int:
        return max((self.end - self.start).days, 0)

    @property
    def visits(self) -> int:
        return len(self.planned)

    def cost(self, trip_cost: float, callout_cost: float) -> float | None:
        if self.days <= 0:
            return None
        return (self.visits * trip_cost + self.callouts * callout_cost) * DAYS_PER_YEAR / self.days


def decisions_paid(
    *,
    decisions: pl.DataFrame,
    visits: pl.DataFrame,
    as_of: date,
    trip_cost: float,
    callout_cost: float,
) -> pl.DataFrame:
    """Return, for each interval accepted or on trial, its site's visits before and after the decision.

    Parameters
    ----------
    decisions : polars frame
        site_id, decided_on, decision, visit_interval_days.
    visits : polars frame
        site_id, visit_date, visit_reason: all visits of the fleet up to `as_of`. What came after the last of
        them is not on record: the time after a decision ends there.
    as_of : date
    trip_cost, callout_cost : float
        Money; parts are left aside, as they go along with visits.

    Returns
    -------
    polars frame
        The table `decisions_paid`, one row a decision that no later one replaced. Before: up to two years,
        from the site's first visit on. cost_per_year_after: null without a planned visit after. callout_ratio
        with its 90 % range (null where nothing can be said): rate of call-outs after over before.
        days_between_after: see `days_between`. verdict: paid, did_not_pay, not_practised (planned visits came
        `NOT_AS_DECIDED` times as far apart as decided, or closer by as much), too_early.
    """
    rows = []
    last = visits["visit_date"].max()
    known_to = min(as_of, last) if isinstance(last, date) else as_of
    fixing = decisions.filter(pl.col("decision").is_in(FIXING) & (pl.col("decided_on") <= as_of))
    latest = fixing.sort("site_id", "decided_on", maintain_order=True).unique(
        "site_id", keep="last", maintain_order=True
    )
    for decision in latest.iter_rows(named=True):
        own = visits.filter(pl.col("site_id") == decision["site_id"])
        first, decided = own["visit_date"].min(), decision["decided_on"]
        if not isinstance(first, date):
            continue
        start = max(first, decided - timedelta(days=LOOK_BACK_DAYS))
        before, after = _stretch(own, start, decided), _stretch(own, decided, known_to)
        ratio, low, high = callout_ratio(before.callouts, before.days, after.callouts, after.days)
        costs = (
            before.cost(trip_cost, callout_cost),
            after.cost(trip_cost, callout_cost) if after.visits else None,
        )
        apart = days_between(after.planned, decided, known_to, decision["visit_interval_days"])
        practised = apart is None or _as_decided(apart, decision["visit_interval_days"])
        rows.append(
            (
                decision["site_id"], decided, decision["decision"], decision["visit_interval_days"],
                before.days, before.callouts, before.visits, costs[0],
                after.days, after.callouts, after.visits, costs[1],
                ratio, low, high, apart, _verdict(before, after, costs, (low, high), practised),
            )
        )  # fmt: skip
    return TABLES["decisions_paid"].of(rows)


def _stretch(own: pl.DataFrame, start: date, end: date) -> _Time:
    """Return what happened after `start` up to `end`; the first visit itself opens the records."""
    inside = own.filter((pl.col("visit_date") > start) & (pl.col("visit_date") <= end))
    called = (pl.col("visit_reason") == "callout").fill_null(False)
    planned = inside.filter(~called)["visit_date"].sort().to_list()
    return _Time(start, end, inside.height - len(planned), tuple(planned))


def days_between(planned: Sequence[date], start: date, end: date, decided_days: float | None) -> float | None:
    """Return how many days apart planned visits came on average; None where no time between them is known.

    The time before the first and after the last of them is cut short, by the decision and by the end of the
    records: it counts only where it is longer than decided, as then it shows that a visit was left out.

    Parameters
    ----------
    planned : sequence of date
        Planned visits after the decision, in order.
    start, end : date
        The decision, and the last day on record.
    decided_days : float or None
        The interval decided on.
    """
    if not planned or decided_days is None:
        return None
    gaps = [(later - day).days for day, later in pairwise(planned)]
    cut = ((planned[0] - start).days, (end - planned[-1]).days)
    gaps += [days for days in cut if days > decided_days]
    return sum(gaps) / len(gaps) if gaps else None


def _as_decided(apart: float, decided_days: float) -> bool:
    return decided_days <= apart * NOT_AS_DECIDED and apart <= decided_days * NOT_AS_DECIDED


def callout_ratio(
    before: int, days_before: float, after: int, days_after: float
) -> tuple[float | None, float | None, float | None]:
    """Return the rate of call-outs after over that before, and its exact 90 % range; null without call-outs.

    Given their sum, the call-outs after are binomial with p = r t_a / (r t_a + t_b), r the ratio of rates;
    the range is that of p (Clopper & Pearson 1934) brought back to r.

    Parameters
    ----------
    before, after : int
    days_before, days_after : float
        Time watched.

    References
    ----------
    Przyborowski & Wilenski (1940), Biometrika 31:313 (the conditional test of two Poisson counts).
    """
    from scipy.special import betaincinv

    total = before + after
    if total == 0 or days_before <= 0 or days_after <= 0:
        return None, None, None
    low = float(betaincinv(after, before + 1, 0.05)) if after else 0.0
    high = float(betaincinv(after + 1, before, 0.95)) if before else 1.0
    scale = days_before / days_after

    def rate(share: float) -> float | None:
        return share / (1 - share) * scale if share < 1 else None

    return rate(after / total), rate(low), rate(high)


def _verdict(
    before: _Time,
    after: _Time,
    costs: tuple[float | None, float | None],
    ratio: tuple[float | None, float | None],
    practised: bool,
) -> str:
    """Return the verdict: time must have passed with visits as decided, and chance must not explain the rest.

    With fewer trips a decision has paid if costs fell and call-outs did not clearly rise; with more trips,
    if costs fell and call-outs clearly fell, or else nothing can be told from chance.
    """
    if after.days < SHORTEST_AFTER_DAYS or before.days < SHORTEST_AFTER_DAYS or None in costs:
        return "too_early"
    if not practised:
        return "not_practised"
    low, high = ratio
    cheaper = (costs[1] or 0.0) < (costs[0] or 0.0)
    rose, fell = low is not None and low > 1.0, high is not None and high < 1.0
    more_trips = after.visits / after.days > before.visits / before.days
    if rose or (more_trips and fell and not cheaper):
        return "did_not_pay"
    if cheaper and (fell or (not more_trips and high is not None and high < 2.0)):
        return "paid"
    if cheaper and not more_trips and before.callouts == after.callouts == 0:
        return "paid"
    return "too_early"
