"""Holds an analysis against the one before it in the same store."""

from __future__ import annotations

import hashlib
import tomllib
from datetime import date

import polars as pl

from fleetstats.advice.since import HELD_AGAINST, decisions_paid, plan_changes
from fleetstats.settings import Settings, settings_toml
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
    held = set(store.tables()["table"])
    if not {"analysis", "intervals", "settings_used"} <= held:
        return pl.DataFrame()
    day: date = store.table("analysis")["as_of"][0]
    last = store.table("intervals").select(
        *HELD_AGAINST,
        as_of=pl.lit(day),
        settings=pl.lit(settings_fingerprint(str(store.table("settings_used")["toml"][0]))),
    )
    every = [store.table(EARLIER).filter(pl.col("as_of") != day)] if EARLIER in held else []
    kept = pl.concat([*every, last]).filter(pl.col("as_of") != as_of)
    return kept.sort("as_of", "site_id", "component", "slot") if kept.height else pl.DataFrame()


def settings_fingerprint(toml: str) -> str:
    """Return 16 hex digits that change with the values a plan rests on, whatever file they came from."""
    values = {name: value for name, value in tomllib.loads(toml).items() if name not in _BESIDE_THE_PLAN}
    return hashlib.sha256(repr(sorted(values.items())).encode()).hexdigest()[:16]


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
        other_settings=before["settings"][0] != settings_fingerprint(settings_toml(settings)),
    )
    return {**found, "plan_changes": changed}
