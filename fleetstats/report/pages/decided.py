"""Decisions in words: whose, of which day, and on what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from fleetstats.report import words

#: Who decided, as records have it, and how that is told; a person's name is not.
_WHOSE: Final = {
    "": "your", "office": "your", "owner": "your", "we": "your", "household": "the household's",
    "customer": "the household's", "tenant": "the household's", "resident": "the household's",
    "authority": "the authority's",
}  # fmt: skip


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


def decisions_at(costs: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Return the decision at each site in words; rows of `limit_costs`, whatever else binds passed over."""
    return {row["site_id"]: decision_told(row) for row in costs if row["decided_on"] is not None}
