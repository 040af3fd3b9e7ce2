"""Decisions in words: whose, of which day, and on what."""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from fleetstats.report import words

#: Who decided, as records have it, and how that is told; a person's name is not.
_WHOSE: Final = {
    "": "your", "office": "your", "owner": "your", "we": "your", "household": "the household's",
    "customer": "the household's", "tenant": "the household's", "resident": "the household's",
    "authority": "the authority's",
}  # fmt: skip


_WEEK: Final = 7.0


def _whose(by: str | None) -> str:
    return _WHOSE.get((by or "").strip().casefold(), "the")


def decision_told(row: Mapping[str, Any]) -> str:
    """Return a decision as it stands within a sentence: "your decision of 4 May 2026 to come every 26 weeks".

    Parameters
    ----------
    row : mapping
        A row of `limit_costs` that is a decision (kind, decided_on, max_days, source, decided_by), or one of
        `decisions_in_force` (decision, decided_on, decided_interval_days, decided_reason).
    """
    whose = _whose(row.get("decided_by"))
    kind = row["decision"] if "decision" in row else row["kind"]
    days = row.get("decided_interval_days", row.get("max_days"))
    why = row.get("decided_reason", row.get("source"))
    when = words.day(row["decided_on"])
    if kind == "trial":
        told = f"{whose} trial of {when}" + (f", a visit every {words.weeks(days)}" if days else "")
    elif kind == "refused":
        told = f"{whose} decision of {when} not to come " + (
            f"every {words.weeks(days)}" if days else "as advised"
        )
    else:
        told = f"{whose} decision of {when}" + (f" to come every {words.weeks(days)}" if days else "")
    return f"{told}{words.in_brackets(why or '')}"


def decision_outcome(row: Mapping[str, Any], plan_days: float, held_by: str) -> str:
    """Return, as a sentence, what became of a decision that is not itself what holds the visits.

    Parameters
    ----------
    row : mapping
        A row of `limit_costs` that is a decision.
    plan_days : float
        Visit interval planned.
    held_by : str
        What holds it, in a few words.
    """
    told = words.sentence(decision_told(row))
    days, without = row["max_days"], row["visit_interval_days_without"]
    if row["kind"] == "refused" or days is None:
        if without == plan_days:
            return f"{told} changes nothing: the plan comes that often anyway."
        return f"{told} is kept; without it visits would come every {words.weeks(without)}."
    cut = days - plan_days >= _WEEK
    kept = f"is cut to {words.weeks(plan_days)} by: {held_by}" if cut else "is kept"
    if without == plan_days:
        return f"{told} {kept}; the plan would come that often anyway."
    return f"{told} {kept}; without it visits would come every {words.weeks(without)}."


def decisions_at(costs: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Return the decision at each site in words; rows of `limit_costs`, whatever else binds passed over."""
    return {row["site_id"]: decision_told(row) for row in costs if row["decided_on"] is not None}
