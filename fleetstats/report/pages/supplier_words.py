"""The supplier's page in sentences: what to order first, why a month stands out, last year's error."""

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from fleetstats.quantities import DAYS_PER_YEAR
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
    months: dict[tuple[str, str], list[str]] = {}
    for place, month in enumerate(part["month"].to_list()):
        away = expected[place] - mean
        if abs(away) >= max(STANDS_OUT * mean, FEWEST_PIECES):
            why = _why(month, away, None if rule is None else rule[place], rule, used)
            months.setdefault(("more" if away > 0 else "fewer", why), []).append(words.month(month))
    told += [
        f"{words.listed(of)}: {more} than in the average month; {why}." for (more, why), of in months.items()
    ]
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


def _why(
    month: date, away: float, kept: float | None, rule: Sequence[float] | None, used: Mapping[int, float]
) -> str:
    past = used.get(month.month)
    if past is not None and (past - 1.0) * away > 0 and abs(past - 1.0) >= STANDS_OUT / 2:
        return "a matter of season, it was so in past years too"
    if kept is not None and rule:
        usual = sum(rule) / len(rule)
        if (kept - usual) * away > 0 and abs(kept - usual) >= STANDS_OUT / 2 * usual:
            return "visits fall so, with the intervals kept until now as well"
        return "it comes from changed intervals, which move visits to other months"
    return "visits fall so in these months"


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
    since = as_of.toordinal() - round(years * DAYS_PER_YEAR)
    taken = taken.filter(pl.col("visit_date") > date.fromordinal(since))
    counts = taken.group_by("component", pl.col("visit_date").dt.month().alias("month")).agg(pl.len())
    found: dict[str, dict[int, float]] = {}
    for (component,), rows in counts.group_by("component", maintain_order=True):
        average = float(rows["len"].sum()) / 12.0
        months = dict(rows.select("month", "len").iter_rows())
        found[str(component)] = {number: months.get(number, 0) / average for number in range(1, 13)}
    return found


def past_error(past: pl.DataFrame) -> str:
    """Return last year's forecast error in a sentence; empty where there was no forecast.

    What sites used that were added since was not to be forecast, and does not count.
    """
    if past.is_empty():
        return ""
    there = past["used"] - past["used_at_added_sites"]
    said, used = float(past["forecast"].sum()), float(there.sum())
    inside = int(there.is_between(past["forecast_low"], past["forecast_high"]).sum())
    off = f", {abs(said - used) / used:.0%} {'too many' if said > used else 'too few'}" if used else ""
    added = int(past["used_at_added_sites"].sum())
    more = f" (and {added} more at sites added since)" if added else ""
    held = f"For {inside} of {words.counted(past.height, 'part')}"
    return (
        f"A year ago {words.whole(said)} pieces would have been forecast for the twelve months since; "
        f"{words.whole(used)} were used{off.replace('%', ' %')}{more}. {held} "
        "what was used lay within the range."
    )
