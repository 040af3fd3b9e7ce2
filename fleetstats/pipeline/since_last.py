"""Holds an analysis against the one before it in the same store."""

from datetime import date

import polars as pl

from fleetstats.advice.since import HELD_AGAINST, decisions_paid, plan_changes
from fleetstats.errors import StoreError
from fleetstats.pipeline.in_force import settings_used
from fleetstats.settings import Settings, settings_fingerprint
from fleetstats.store import Relations, Store

#: The intervals of analyses as of other days, kept beside those of the last one.
EARLIER = "earlier_intervals"
#: Settings that no plan rests on.
_BESIDE_THE_PLAN = (
    "contact", "currency", "horizon_months", "sites_added_per_month", "service_level", "notice_days",
    "crew_stops_per_week", "local_rule_source",
)  # fmt: skip


def earlier_intervals(store: Store, *, as_of: date) -> pl.DataFrame:
    """Return the intervals of every analysis that this store has seen as of another day than `as_of`.

    An analysis as of the same day, made again, is the same report and takes the place of the first.

    Parameters
    ----------
    store : Store
    as_of : date

    Returns
    -------
    polars frame
        Columns `HELD_AGAINST`, as_of and settings (a fingerprint of those that plans rest on), days in order;
        no columns if there was no analysis.
    """
    held = store.tables().keys()
    if not {"analysis", "intervals", "settings_used"} <= held:
        return pl.DataFrame()
    day: date = store.table("analysis")["as_of"][0]
    last = store.table("intervals").select(
        *HELD_AGAINST,
        as_of=pl.lit(day),
        settings=pl.lit(_last_fingerprint(store)),
    )
    every = [store.table(EARLIER).filter(pl.col("as_of") != day)] if EARLIER in held else []
    kept = pl.concat([*every, last]).filter(pl.col("as_of") != as_of)
    return kept.sort("as_of", "site_id", "component", "slot") if kept.height else pl.DataFrame()


def plan_fingerprint(settings: Settings) -> str:
    """Return what changes with the values that a plan rests on, whatever file they came from."""
    return settings_fingerprint(settings, without=_BESIDE_THE_PLAN)


def _last_fingerprint(store: Store) -> str:
    try:
        return plan_fingerprint(settings_used(store))
    except StoreError:  # those of an older version: other settings
        return ""


def since_last(
    earlier: pl.DataFrame, intervals: pl.DataFrame, relations: Relations, settings: Settings
) -> dict[str, pl.DataFrame]:
    """Return decisions_paid, and earlier_intervals and plan_changes where there were analyses before.

    Held against each other are this analysis and the latest as of a day before its own.
    """
    paid = decisions_paid(
        decisions=relations.decisions,
        visits=relations.visits,
        as_of=relations.as_of,
        trip_cost=settings.trip_cost,
        callout_cost=settings.callout_cost,
    )
    found = {"decisions_paid": paid, EARLIER: earlier}
    before = earlier if earlier.is_empty() else earlier.filter(pl.col("as_of") < relations.as_of)
    if before.is_empty():
        return found
    before = before.filter(pl.col("as_of") == pl.col("as_of").max())
    changed = plan_changes(
        before=before,
        now=intervals,
        since=before["as_of"][0],
        other_settings=before["settings"][0] != plan_fingerprint(settings),
    )
    return {**found, "plan_changes": changed}
