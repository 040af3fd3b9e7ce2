"""The units of an address after each visit to come: what is renewed, and how long the rest may stay."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import polars as pl

from fleetstats.advice.visit_rule import CENTURY, past_interval, past_limit


@dataclass(frozen=True, slots=True)
class UnitAhead:
    """One unit in place: when it goes in, its interval, the oldest it may be planned to get, and may get.

    `hard_days` is the strictest hard limit net of lateness, `deadline_days` as it is written; both far off
    where there is none. `renewed` says whether the next visit renews it; None: the visit rule is asked then.
    """

    fitted: date
    visit_days: float
    interval_days: float
    hard_days: float
    deadline_days: float
    renewed: bool | None = None

    @property
    def limit(self) -> date:
        """Last planned day of a visit that renews it."""
        return self.fitted + timedelta(days=int(self.hard_days))

    @property
    def deadline(self) -> date:
        """Last day on which it may be renewed at all."""
        return self.fitted + timedelta(days=int(self.deadline_days))

    def stays(self, on: date, days_to_next: int) -> bool:
        """Return whether a visit on that day leaves it in place, by the visit rule."""
        if self.renewed is not None:
            return not self.renewed
        age = (on - self.fitted).days
        by_rule = past_interval(age, visit=self.visit_days, interval=self.interval_days)
        by_limit = past_limit(age, to_next=max(self.visit_days, days_to_next), limit=self.hard_days)
        return not (by_rule or by_limit)


def units_ahead(
    due: pl.DataFrame, intervals: pl.DataFrame, as_of: date
) -> Mapping[str, tuple[UnitAhead, ...]]:
    """Return the units in place at each site, as its next visit finds them.

    Parameters
    ----------
    due : polars frame
        site_id, component, slot, action, age_days (null = unknown, then renewed; or nothing is in place).
    intervals : polars frame
        As in `due_list`.
    as_of : date
    """
    key = ("site_id", "component", "slot")
    facts = ("visit_interval_days", "interval_days", "hard_limit_days", "deadline_days")
    found: dict[str, list[UnitAhead]] = {}
    for row in due.join(intervals.select(*key, *facts), on=key).iter_rows(named=True):
        renewed = row["action"] != "inspect"
        if row["age_days"] is None and not renewed:
            continue
        found.setdefault(row["site_id"], []).append(_unit(row, as_of, renewed))
    return {site: tuple(units) for site, units in found.items()}


def _unit(row: Mapping[str, Any], as_of: date, renewed: bool) -> UnitAhead:
    hard, deadline = (
        CENTURY if days is None else min(days, CENTURY)
        for days in (row["hard_limit_days"], row["deadline_days"])
    )
    fitted = as_of - timedelta(days=row["age_days"] or 0)
    return UnitAhead(fitted, row["visit_interval_days"], row["interval_days"], hard, deadline, renewed)


def after_visit(units: Sequence[UnitAhead], on: date, days_to_next: int) -> tuple[UnitAhead, ...]:
    """Return the units as a visit on that day leaves them, so many days before the next."""
    return tuple(
        replace(unit, renewed=None, fitted=unit.fitted if unit.stays(on, days_to_next) else on)
        for unit in units
    )
