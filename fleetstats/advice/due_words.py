"""Why a component is on the due list, in words that a customer accepts."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, Final

from fleetstats.components import LAMP, SLEEVE, Role, noun_of

_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
#: A chance above this is told as 5 in 10 or more.
_LIKELY_ABOVE: Final = 0.45
#: What is told of a unit's gauge, see `due_list`.
GAUGE_SAID: Final = (
    "last_read_on", "share_spent", "share_low", "share_high", "readings", "doubtful", "faulty_on",
)  # fmt: skip
#: What makes a whole site urgent, as it opens the reason of each of its lines.
OF_SITE: Final = (
    "A water sample failed here and no good one has followed.",
    "The UV unit here needs attention: its alarm or its lamp is not settled.",
)
_LIMITS: Final = {
    "failed_sample": "what was usual here before the failed sample",
    "open_alarm": "what was usual here before the alarm",
    "rated_life": "its rated life of {days} days",
    "site_limit": "the {days} days agreed for this site",
    "ceiling": "the longest time one stays in, {days} days",
}
#: What the longest time in service is where a unit is cleaned and not renewed.
_BETWEEN_CLEANINGS: Final = "the longest time between cleanings, {days} days"


def reason(row: Mapping[str, Any], role: Role) -> str:
    """Return why this line is on the list: first what makes the site urgent, then the component's own reason.

    Parameters
    ----------
    row : mapping
        One row of the due list as gathered: component, removed, renewed, spent_seen, age_unknown, overdue,
        by_limit, carried, failed_sample_open, open_alarm, fitted_on, age_days, interval_days, deadline,
        deadline_days, visit_by, chance_already_spent; where gauges are read `GAUGE_SAID`; on the first line
        of a site whose visit is overdue by an agreed time between visits agreed_by and visit_deadline_days.
    role : Role
        Of that component.
    """
    parts = []
    if row["failed_sample_open"]:
        parts.append(OF_SITE[0])
    elif row["open_alarm"]:
        parts.append(OF_SITE[1])
    parts += [_agreed(row), _own(row, role), _age(row, role)]
    if not (row["removed"] or row["spent_seen"] or row["age_unknown"]):
        parts.append(_gauge(row))
    return " ".join(part for part in parts if part)


def likely(chance: Any) -> Any:
    """Return whether a chance, told in tenths, is 5 in 10 or more: number or polars expression."""
    return chance > _LIKELY_ABOVE


def share_words(share: float, low: float, high: float) -> tuple[str, str]:
    """Return a share of a life in words, to the nearest 5 %, and its range; blank where it has no width.

    Parameters
    ----------
    share, low, high : float
        0 to 1.
    """
    middle, least, most = (5 * round(20 * value) for value in (share, low, high))
    told = f"about {middle} %" if middle else "less than 5 %"
    return told, f"{least} to {most} %" if least < most else ""


def _gauge(row: Mapping[str, Any]) -> str:
    """Return how far the unit had come by its own gauge, and which reading of it is in doubt."""
    kind, told = noun_of(row["component"]), []
    if row.get("last_read_on") and row["doubtful"]:
        told.append(
            f"Its gauge reading of {_day(row['last_read_on'])} is doubtful: it does not fit what else is "
            f"known of this {kind}, and hardly counts."
        )
    elif row.get("last_read_on"):
        share, spread = share_words(row["share_spent"], row["share_low"], row["share_high"])
        count = "1 reading" if row["readings"] == 1 else f"{row['readings']} readings"
        basis = f"range {spread}, from {count}" if spread else f"from {count}"
        told.append(
            f"By its pressure gauge this {kind} had used {share} of its life on {_day(row['last_read_on'])} "
            f"({basis})."
        )
    if row.get("faulty_on"):
        told.append(f"The gauge reading of {_day(row['faulty_on'])} looks faulty and is not counted.")
    return " ".join(told)


def _agreed(row: Mapping[str, Any]) -> str:
    """Return since when the visit is overdue by the time agreed between visits; blank where it is not."""
    if row.get("agreed_by") is None:
        return ""
    days = f"at most {row['visit_deadline_days']:.0f} days apart"
    return f"The visit agreed here, {days}, was due by {_day(row['agreed_by'])}."


def _own(row: Mapping[str, Any], role: Role) -> str:
    kind = noun_of(row["component"])
    if row["removed"]:
        return f"No {kind} is fitted now: ask whether one is wanted again."
    if row["spent_seen"]:
        return f"The {kind} was found {role.spent} and has not been renewed since."
    if row["age_unknown"]:
        return f"Nobody has written down when this {kind} went in, so it is treated as due."
    if row["overdue"]:
        if role is LAMP:
            return f"The {kind} reached its limit of {row['deadline_days']:.0f} days on {_passed_on(row)}."
        return f"The {kind} passed {_limit(row, role)}, on {_passed_on(row)}."
    if not row["renewed"]:
        return _not_due(row, kind, role)
    if row["by_limit"] and row["deadline"]:
        return f"Left until the visit after, the {kind} could pass {_limit(row, role)}."
    weeks = _weeks(row["interval_days"])
    return f"The {kind} is {role.renewed} every {weeks} here, and this is the visit nearest to that."


def _age(row: Mapping[str, Any], role: Role) -> str:
    """Return since when the unit is in, or that nobody knows; blank where its own sentence says so."""
    if row["removed"] or (row["age_unknown"] and not row["spent_seen"]):
        return ""
    if row["age_unknown"]:
        return "The date it was fitted is not known."
    weeks, day = round(row["age_days"] / 7), _day(row["fitted_on"])
    long = "under a week" if weeks == 0 else "1 week" if weeks == 1 else f"{weeks} weeks"
    if row.get("renewed_by") == "cleaned":
        return f"Cleaned on {day} ({long} ago)."
    noted = row.get("put_in_noted_on")
    return f"In since {day} ({long}){f', as noted on {_day(noted)}' if noted else ''}."


def _limit(row: Mapping[str, Any], role: Role) -> str:
    """Return the limit that is strictest for the unit, in words."""
    cleaned = row["deadline"] == "ceiling" and role is SLEEVE
    words = _BETWEEN_CLEANINGS if cleaned else _LIMITS[row["deadline"]]
    return words.format(days=f"{row['deadline_days']:.0f}")


def _not_due(row: Mapping[str, Any], kind: str, role: Role) -> str:
    told = f"The {kind} is {role.renewed} every {_weeks(row['interval_days'])} here"
    chance = row["chance_already_spent"] if row["carried"] else 0.0
    if likely(chance):
        return f"{told}, but it is {_tenths(chance)} that it is {role.spent} by then: {role.likely_spent}."
    told = f"{told} and can stay in this time; {role.look}."
    if row["carried"]:
        return f"{told} It is {_tenths(chance)} that it is {role.spent}: carry one."
    return told


def _passed_on(row: Mapping[str, Any]) -> str:
    return _day(row["fitted_on"] + timedelta(days=int(row["deadline_days"])))


def _day(day: date) -> str:
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def _weeks(days: float) -> str:
    weeks = round(days / 7)
    return "week" if weeks == 1 else f"{weeks} weeks"


def _tenths(chance: float) -> str:
    return f"{min(max(round(chance * 10), 1), 9)} in 10"
