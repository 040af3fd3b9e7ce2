"""The verdict on the method in plain words: what came true, what knowing the site adds, what it costs."""

import math
from collections.abc import Sequence
from datetime import date, timedelta

import polars as pl

from fleetstats.components import plural_of
from fleetstats.quantities import Z90
from fleetstats.report import words
from fleetstats.report.pages.parts import Row
from fleetstats.report.results import Results

#: With fewer ended lives than this a component's own pattern cannot be told from custom.
FEW_ENDED = 30
#: With fewer units ended in the trial than this, that so many came says little.
FEW_CAME = 5
#: What the trial on the past needs: records before the day it starts from, and after it.
BEFORE_DAYS, AFTER_DAYS = 365, 182
#: A chance that differs by less than this share is the same for any use.
MATTERS = 0.02
HELD, TOO_MANY, TOO_FEW, IN_TURN, UNTOLD = "held", "too many", "too few", "in turn", "untold"


def verdict(results: Results) -> tuple[str, ...]:
    """Return the verdict, a sentence each, the main one first."""
    if not results.replay.drop_nulls("component").height:
        why = no_trial(results)
        return (
            f"These records cannot yet say whether the chances in this report come true: {why}. Until then "
            "hold to custom where this report says custom, and look at every change before trusting it.",
        )
    return (_came_true(results), *_helped(results), *_cost(results), *_thin(results))


def no_trial(results: Results) -> str:
    """Return why the method could not be tried on its own past, as the end of a sentence."""
    first = results.visits["visit_date"].min()
    if not isinstance(first, date):
        return "no visit is on record"
    reach = words.weeks((results.as_of - first).days)
    if first + timedelta(days=BEFORE_DAYS + AFTER_DAYS) > results.as_of:
        return (
            f"they reach back {reach}, and the trial needs a year of records before the day that it starts "
            "from and half a year after it"
        )
    return "no unit in place half a year ago was followed after it"


def outcome(rows: Sequence[Row]) -> str:
    """Return how a component fared over its trials: held, too many, too few or each in turn, or untold."""
    told = [row for row in rows if row["expected_low"] is not None and row["expected_high"] is not None]
    foretold = sum(row["expected_failures"] or 0.0 for row in told)
    if not told or max(foretold, sum(row["failures"] or 0 for row in told)) < FEW_CAME:
        return UNTOLD
    above = sum(row["failures"] > row["expected_high"] for row in told)
    below = sum(row["failures"] < row["expected_low"] for row in told)
    if 4 * (above + below) <= len(told):  # one in ten lies outside by chance
        return HELD
    if above and below:
        return IN_TURN
    return TOO_MANY if below else TOO_FEW


def _by_component(results: Results) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {name: [] for name in results.display.components}
    for row in results.replay.drop_nulls("component").iter_rows(named=True):
        found.setdefault(row["component"], []).append(row)
    return {name: rows for name, rows in found.items() if rows}


def _came_true(results: Results) -> str:
    sorted_by: dict[str, list[str]] = {}
    for component, rows in _by_component(results).items():
        sorted_by.setdefault(outcome(rows), []).append(plural_of(component))
    told = []
    if HELD in sorted_by:
        told.append(
            f"Tried on the firm's own past, the number said to be spent came true within its range for "
            f"{words.listed(sorted_by[HELD])}."
        )
    if TOO_MANY in sorted_by:
        told.append(
            f"For {words.listed(sorted_by[TOO_MANY])} more was foretold than came: their chances are on the "
            "high side."
        )
    if TOO_FEW in sorted_by:
        told.append(
            f"For {words.listed(sorted_by[TOO_FEW])} more came than was foretold: look at those sooner than "
            "this report says."
        )
    if IN_TURN in sorted_by:
        told.append(
            f"For {words.listed(sorted_by[IN_TURN])} more came than was foretold at one time and less at "
            "another: a season or a drought, which this report does not follow, moves them within a year."
        )
    if UNTOLD in sorted_by:
        told.append(
            f"For {words.listed(sorted_by[UNTOLD])} these records cannot yet say: too few ended in the trial."
        )
    return " ".join(told)


def gain_range(row: Row, rival: str) -> tuple[float, float, float] | None:
    """Return how many times as likely this method held what happened as a rival did: middle, low, high.

    Parameters
    ----------
    row : dict
        Of the frame `replay`.
    rival : {"fleet", "cohort"}
    """
    own, other, error = row["log_score"], row[f"log_score_{rival}"], row[f"gain_{rival}_se"]
    if own is None or other is None or error is None:
        return None
    gain = own - other
    return math.exp(gain), math.exp(gain - Z90 * error), math.exp(gain + Z90 * error)


def _helped(results: Results) -> tuple[str, ...]:
    better: list[str] = []
    worse: list[str] = []
    unclear: list[str] = []
    for component, rows in _by_component(results).items():
        ranges = [found for row in rows if (found := gain_range(row, "fleet")) is not None]
        if not ranges:
            continue
        name = plural_of(component)
        clear = sum(low > 1.0 and middle > 1.0 + MATTERS for middle, low, _ in ranges)
        lost = sum(high < 1.0 and middle < 1.0 - MATTERS for middle, _, high in ranges)
        place = better if 2 * clear > len(ranges) else worse if 2 * lost > len(ranges) else unclear
        place.append(name)
    told = []
    if better:
        told.append(f"Knowing the site made the forecasts clearly better for {words.listed(better)}")
    if worse:
        told.append(f"one life for the whole fleet would have served better for {words.listed(worse)}")
    if unclear:
        told.append(f"for {words.listed(unclear)} it made no difference that matters")
    return (words.sentence("; ".join(told)) + ".",) if told else ()


def _cost(results: Results) -> tuple[str, ...]:
    found = costed(results).sort(["horizon_days", "origin"])
    return (cost_told(results, found.row(found.height - 1, named=True)),) if found.height else ()


def costed(results: Results) -> pl.DataFrame:
    """Return for each origin and horizon what rule and plan would have cost: cost_plan, cost_plan_low, ..."""
    key = ["origin", "horizon_days"]
    values = ("cost_per_site_year", "low", "high", "callouts_per_site_year")
    names = ("cost_{}", "cost_{}_low", "cost_{}_high", "callouts_{}")
    found = results.policy_costs.select(key).unique(maintain_order=True)
    for policy in ("rule", "plan"):
        named = (pl.col(value).alias(name.format(policy)) for value, name in zip(values, names, strict=True))
        costs = results.policy_costs.filter(policy=policy).select(*key, *named)
        found = found.join(costs, on=key, how="left", maintain_order="left")
    return found.drop_nulls(["cost_rule", "cost_plan"]).with_columns(component=pl.lit(None, pl.String))


def cost_told(results: Results, row: Row) -> str:
    """Return what the plan of a past day would have cost beside the rule kept then, as a sentence."""
    currency = results.display.currency
    plan, rule = (f"{currency} {cost_shown(row, name)}" for name in ("plan", "rule"))
    calls = ""
    if row["callouts_plan"] is not None and row["callouts_rule"] is not None:
        calls = (
            f", with {words.amount(row['callouts_plan'])} call-outs instead of "
            f"{words.amount(row['callouts_rule'])}"
        )
    which = _dearer(row)
    early = (
        " What a plan pulls forward is paid at once and what it saves comes later, so short trials are hard "
        "on it."
        if which != "cheaper"
        else ""
    )
    return (
        f"On the {words.weeks(row['horizon_days'])} after {words.day(row['origin'])} the plan made that day "
        f"would have cost {plan} a site and year, today's rule {rule}{calls}: {_DEARER[which]}.{early}"
    )


def cost_shown(row: Row, policy: str) -> str:
    """Return what a policy ("plan" or "rule") cost a site and year, to the next ten, with its range."""
    cost, low, high = (row[f"cost_{policy}{end}"] for end in ("", "_low", "_high"))
    shown = [
        words.whole(None if value is None else 10.0 * round(value / 10.0)) for value in (cost, low, high)
    ]
    return shown[0] + (f" ({shown[1]} to {shown[2]})" if low is not None and high is not None else "")


_DEARER = {"cheaper": "the plan was cheaper", "dearer": "the plan was dearer", "alike": "no clear difference"}


def _dearer(row: Row) -> str:
    plan_low, plan_high = row["cost_plan_low"], row["cost_plan_high"]
    rule_low, rule_high = row["cost_rule_low"], row["cost_rule_high"]
    if None in (plan_low, plan_high, rule_low, rule_high):
        return "alike"
    return "cheaper" if plan_high < rule_low else "dearer" if plan_low > rule_high else "alike"


def _thin(results: Results) -> tuple[str, ...]:
    ended = dict.fromkeys(results.display.components, 0)
    for component, failures in results.families.select("component", "failures").iter_rows():
        ended[component] = failures or 0
    thin = [f"{plural_of(name)} ({count})" for name, count in ended.items() if count < FEW_ENDED]
    if not thin:
        return ()
    return (f"Few lives have ended on record for {words.listed(thin)}: there custom weighs heavily.",)
