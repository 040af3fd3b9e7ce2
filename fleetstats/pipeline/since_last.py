"""Holds an analysis against the one before it in the same store."""

from __future__ import annotations

from datetime import date

import polars as pl

from fleetstats.advice.since import HELD_AGAINST, decisions_paid, plan_changes
from fleetstats.settings import Settings, settings_toml
from fleetstats.store import Relations, Store

#: The analysis before, kept with the one that follows it.
EARLIER = "earlier_intervals"


def earlier_intervals(store: Store, *, as_of: date) -> pl.DataFrame:
    """Return the intervals of the latest analysis as of a day before `as_of`; without rows if there is none.

    An analysis as of the same day, made again, is the same report: it is held against what the first was.

    Parameters
    ----------
    store : Store
    as_of : date

    Returns
    -------
    polars frame
        Columns `HELD_AGAINST`, as_of and settings (TOML); no columns if there was no analysis.
    """
    held = set(store.tables()["table"])
    if not {"analysis", "intervals", "settings_used"} <= held:
        return pl.DataFrame()
    day: date = store.table("analysis")["as_of"][0]
    if day < as_of:
        used = str(store.table("settings_used")["toml"][0])
        return (
            store.table("intervals")
            .select(HELD_AGAINST)
            .with_columns(as_of=pl.lit(day), settings=pl.lit(used))
        )
    if EARLIER not in held:
        return pl.DataFrame()
    earlier = store.table(EARLIER)
    return earlier if earlier["as_of"][0] < as_of else pl.DataFrame()


def since_last(
    earlier: pl.DataFrame, intervals: pl.DataFrame, relations: Relations, settings: Settings
) -> dict[str, pl.DataFrame]:
    """Return decisions_paid and, where there was an analysis before, earlier_intervals and plan_changes."""
    paid = decisions_paid(
        decisions=relations.decisions,
        visits=relations.visits,
        as_of=relations.as_of,
        trip_cost=settings.trip_cost,
        callout_cost=settings.callout_cost,
    )
    if earlier.is_empty():
        return {"decisions_paid": paid}
    changed = plan_changes(
        before=earlier,
        now=intervals,
        since=earlier["as_of"][0],
        other_settings=str(earlier["settings"][0]) != settings_toml(settings),
    )
    return {EARLIER: earlier, "plan_changes": changed, "decisions_paid": paid}
