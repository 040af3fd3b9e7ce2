"""Why a component is on the due list, in words that a customer accepts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, Final

_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_RENEWED: Final = {"sleeve": "cleaned"}
#: Nobody is to look at a lit lamp.
_LOOK: Final = {"lamp": "check its alarm and its hours"}
_SPENT: Final = {"lamp": "dead", "sleeve": "scaled"}
_LIMITS: Final = {
    "failed_sample": "what was usual here before the failed sample",
    "open_alarm": "what was usual here before the alarm",
    "rated_life": "its rated life of {days} days",
    "site_limit": "the {days} days agreed for this site",
    "ceiling": "the longest time one stays in, {days} days",
}


def reason(row: Mapping[str, Any]) -> str:
    """Return why this line is on the list: first what makes the site urgent, then the component's own reason.

    Parameters
    ----------
    row : mapping
        One row of the due list as gathered: component, removed, renewed, spent_seen, age_unknown, overdue,
        by_limit, carried, failed_sample_open, open_alarm, fitted_on, interval_days, deadline,
        deadline_days, visit_by, chance_already_spent, read (its gauge told).
    """
    parts = []
    if row["failed_sample_open"]:
        parts.append("A water sample failed here and no good one has followed.")
    elif row["open_alarm"]:
        parts.append("The UV unit here needs attention: its alarm or its lamp is not settled.")
    parts.append(_own(row))
    if row["read"] and not (row["removed"] or row["spent_seen"] or row["age_unknown"]):
        parts.append("Its pressure gauge has been counted in.")
    return " ".join(parts)


def _own(row: Mapping[str, Any]) -> str:
    kind = row["component"].split("_")[-1]
    if row["removed"]:
        return f"No {kind} is fitted now: ask whether one is wanted again."
    if row["spent_seen"]:
        return f"The {kind} was found {_SPENT.get(kind, 'spent')} and has not been renewed since."
    if row["age_unknown"]:
        return f"Nobody has written down when this {kind} went in, so it is treated as due."
    if row["overdue"]:
        return f"The lamp reached its limit of {row['deadline_days']:.0f} days on {_passed_on(row)}."
    if not row["renewed"]:
        return _not_due(row, kind)
    if row["by_limit"] and row["deadline"]:
        limit = _LIMITS[row["deadline"]].format(days=f"{row['deadline_days']:.0f}")
        return f"Left until the visit after, the {kind} could pass {limit}."
    weeks = _weeks(row["interval_days"])
    done = _RENEWED.get(kind, "renewed")
    return f"The {kind} is {done} every {weeks} here, and this is the visit nearest to that."


def _not_due(row: Mapping[str, Any], kind: str) -> str:
    weeks, spent = _weeks(row["interval_days"]), _SPENT.get(kind, "spent")
    done = _RENEWED.get(kind, "renewed")
    look = _LOOK.get(kind, "look at it")
    told = f"The {kind} is {done} every {weeks} here and can stay in this time; {look}."
    if row["carried"]:
        return f"{told} {_chance(row['chance_already_spent'])} that it is {spent}: carry one."
    return told


def _passed_on(row: Mapping[str, Any]) -> str:
    day = row["fitted_on"] + timedelta(days=int(row["deadline_days"]))
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def _weeks(days: float) -> str:
    weeks = round(days / 7)
    return "week" if weeks == 1 else f"{weeks} weeks"


def _chance(chance: float) -> str:
    tenths = min(max(round(chance * 10), 1), 9)
    return f"It is {tenths} in 10"
