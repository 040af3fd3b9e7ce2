"""The supplier's page in sentences: what to order first, why a month stands out, last year's error."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from fleetstats.report import words

#: A month stands out from its part's mean by this share, and by at least as many pieces.
STANDS_OUT, FEWEST_PIECES = 0.3, 3.0
#: Plan and today's rule differ over the whole horizon by more than this share before it is said.
DIFFERS = 0.05


def first_orders(orders: pl.DataFrame, names: Mapping[str, str], *, outside: bool) -> str:
    """Return the plain sentence on top: what is ordered first, and by when; empty without orders."""
    wanted = orders.filter(pl.col("order_by").is_not_null() & (pl.col("quantity") > 0))
    if wanted.is_empty():
        return ""
    first = wanted.sort("order_by", maintain_order=True).head(3)
    told = [
        f"{words.whole(row['quantity'])} {names.get(row['part_number'], row['part_number'])} "
        f"by {words.day(row['order_by'])}"
        for row in first.iter_rows(named=True)
    ]
    return f"Likely wanted first: {'; '.join(told)}." if outside else f"Order {'; '.join(told)}."


def swings(part: pl.DataFrame, used: Mapping[int, float]) -> tuple[str, ...]:
    """Return why months of one part stand out, and whether the plan's intervals change its need.

    Parameters
    ----------
    part : polars frame
        Rows of `stock` of one part, by month.
    used : mapping of calendar month to float
        What that month took in past years against the average month; empty where not known.
    """
    expected = [float(value) for value in part["expected"]]
    current = part["expected_current_rule"].to_list()
    rule = None if None in current else [float(value) for value in current]
    told = [_changed_intervals(expected, rule)] if rule else []
    mean = sum(expected) / len(expected) if expected else 0.0
    for place, month in enumerate(part["month"].to_list()):
        away = expected[place] - mean
        if abs(away) >= max(STANDS_OUT * mean, FEWEST_PIECES):
            told.append(_month_told(month, away, mean, None if rule is None else rule[place], rule, used))
    return tuple(text for text in told if text)


def _changed_intervals(expected: Sequence[float], rule: Sequence[float]) -> str:
    plan, kept = sum(expected), sum(rule)
    if kept <= 0 or abs(plan - kept) <= DIFFERS * kept:
        return ""
    less = "fewer" if plan < kept else "more"
    return (
        f"Changed intervals: {words.whole(plan)} over these months, {less} than the {words.whole(kept)} "
        "that the intervals kept until now would take."
    )


def _month_told(
    month: date,
    away: float,
    mean: float,
    kept: float | None,
    rule: Sequence[float] | None,
    used: Mapping[int, float],
) -> str:
    more = "more" if away > 0 else "fewer"
    head = f"{words.month(month)}: {more} than in the average month"
    past = used.get(month.month)
    if past is not None and (past - 1.0) * away > 0 and abs(past - 1.0) >= STANDS_OUT / 2:
        share = f"{round(past * 100)} % of an average one"
        return f"{head}; a matter of season, in past years this month took {share}."
    if kept is not None and rule:
        usual = sum(rule) / len(rule)
        if (kept - usual) * away > 0 and abs(kept - usual) >= STANDS_OUT / 2 * usual:
            return f"{head}; visits fall so in that month, with the intervals kept until now as well."
        return f"{head}; it comes from changed intervals, which move visits to other months."
    return f"{head}; visits fall so in that month."


def season(work: pl.DataFrame, visits: pl.DataFrame, as_of: date) -> dict[str, dict[int, float]]:
    """Return for each component what each calendar month took against the average one, over whole years.

    At least two whole years before `as_of` are needed; components without them are missing.
    """
    if work.is_empty() or visits.is_empty():
        return {}
    first = visits["visit_date"].min()
    years = (as_of - first).days // 365 if isinstance(first, date) else 0
    if years < 2:
        return {}
    taken = work.filter(pl.col("action").is_in(["fitted", "replaced"])).join(
        visits.select("visit_id", "visit_date"), on="visit_id", how="inner"
    )
    since = as_of.toordinal() - round(years * 365.25)
    taken = taken.filter(pl.col("visit_date") > date.fromordinal(since))
    counts = taken.group_by("component", pl.col("visit_date").dt.month().alias("month")).agg(pl.len())
    found: dict[str, dict[int, float]] = {}
    for (component,), rows in counts.group_by("component", maintain_order=True):
        average = float(rows["len"].sum()) / 12.0
        months = dict(rows.select("month", "len").iter_rows())
        found[str(component)] = {number: months.get(number, 0) / average for number in range(1, 13)}
    return found


def past_error(past: pl.DataFrame) -> str:
    """Return last year's forecast error in a sentence; empty where there was no forecast."""
    if past.is_empty():
        return ""
    said, used = float(past["forecast"].sum()), float(past["used"].sum())
    inside = past.filter(pl.col("used").is_between(pl.col("forecast_low"), pl.col("forecast_high"))).height
    off = f", {abs(said - used) / used:.0%} {'too many' if said > used else 'too few'}" if used else ""
    held = f"For {inside} of {words.counted(past.height, 'part')}"
    return (
        f"A year ago {words.whole(said)} pieces would have been forecast for the twelve months since; "
        f"{words.whole(used)} were used{off.replace('%', ' %')}. {held} "
        "what was used lay within the range."
    )
