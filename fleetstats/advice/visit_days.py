"""On which day a planned visit has work: one that would renew nothing waits for the first that does."""

from collections.abc import Mapping
from datetime import date
from typing import Final

import polars as pl

from fleetstats.advice.due_words import likely
from fleetstats.advice.spent import Ahead
from fleetstats.advice.visit_rule import CENTURY, past_interval, past_limit

#: From this chance on one is carried for a component that is not due.
CARRY_CHANCE: Final = 0.25
_DAY: Final = pl.duration(days=1)


def days_on(day: str | pl.Expr, days: pl.Expr) -> pl.Expr:
    """Return the day so many days on, a century at most: a limit of a million days is none."""
    start = pl.col(day) if isinstance(day, str) else day
    return start + days.clip(-CENTURY, CENTURY).floor().cast(pl.Int64) * _DAY


def renewed_by(day: str, to_next: pl.Expr) -> tuple[pl.Expr, pl.Expr]:
    """Return whether a visit on that day renews a unit by the visit rule, and whether for a hard limit.

    Parameters
    ----------
    day : str
        The column of the day; fitted_on, interval_days, visit_interval_days and hard_limit_days stand beside.
    to_next : polars expression
        Days from that visit to the one after it.
    """
    then = (pl.col(day) - pl.col("fitted_on")).dt.total_days()
    by_rule = past_interval(then, visit=pl.col("visit_interval_days"), interval=pl.col("interval_days"))
    by_limit = past_limit(then, to_next=to_next, limit=pl.col("hard_limit_days"))
    return by_rule.fill_null(False), by_limit.fill_null(False)


def waiting_for_work(rows: pl.DataFrame, ahead: Ahead, arrivals: Mapping[str, date]) -> pl.DataFrame:
    """Return the rows with the day of each address's planned visit, `_earliest`, moved to where it has work.

    Where the visit rule would renew no unit in place on the planned day, or at as-of if that is past, the
    visit waits until the first unit there reaches its interval, though never past a hard limit or an agreed
    time between visits (both net of lateness, `_last_day`), nor past the last day on which every part of the
    UV unit is within the chance that one is carried from (`CARRY_CHANCE`), and never to an earlier day. It
    does not wait where the address is urgent, where a unit is likelier spent than not by the planned day, or
    where it sees to a home before its people return.

    Parameters
    ----------
    rows : polars frame
        Units of the due list with address, _earliest, _last_day, _urgent (of the address), age_unknown,
        lamp, of_uv_unit, and the columns of `Ahead.chances_by` and `renewed_by`.
    ahead : Ahead
    arrivals : mapping
        Site -> when its people return next.

    Returns
    -------
    polars frame
        The rows, `_earliest` as above, and _waits (whether it was moved).
    """
    there = ~pl.col("removed")
    rows = rows.with_columns(_on=pl.max_horizontal("_earliest", pl.lit(ahead.as_of)))
    chances = pl.Series(ahead.chances_by(rows, rows["_on"]), dtype=pl.Float64)
    rows = rows.with_columns(_chance=chances.fill_nan(None))
    by_rule, by_limit = renewed_by("_on", pl.col("visit_interval_days"))
    worth = by_rule | by_limit | pl.col("age_unknown") | likely(pl.col("_chance")).fill_null(False)
    reached = days_on(pl.when(there).then(pl.col("fitted_on")), pl.col("interval_days"))
    work = (there & worth).any().over("address") | pl.col("_urgent") | _before_return(arrivals)
    first = pl.min_horizontal(reached.min().over("address"), "_last_day")
    rows = rows.with_columns(_first=pl.when(~work).then(first))
    uv_unit = rows.filter("of_uv_unit", pl.col("_first").is_not_null()).with_columns(
        visit_by=pl.max_horizontal("_first", pl.lit(ahead.as_of))
    )
    within = ahead.last_day_within(uv_unit, dict.fromkeys(uv_unit["component"], CARRY_CHANCE))
    rows = rows.join(within, on="address", how="left", maintain_order="left")
    rows = rows.with_columns(_first=pl.min_horizontal("_first", "_within"))
    later = (pl.col("_first") > pl.col("_on")).fill_null(False)
    return rows.with_columns(
        _earliest=pl.when(later).then("_first").otherwise("_earliest"), _waits=later
    ).drop("_on", "_chance", "_first", "_within")


def _before_return(arrivals: Mapping[str, date]) -> pl.Expr:
    """Return whether the people of a home at the address return within half a visit interval of the visit."""
    arrival = pl.col("site_id").replace_strict(dict(arrivals), default=None, return_dtype=pl.Date)
    apart = (arrival - pl.col("_on")).dt.total_days().abs()
    return (apart <= pl.col("visit_interval_days") / 2).fill_null(False).any().over("address")
