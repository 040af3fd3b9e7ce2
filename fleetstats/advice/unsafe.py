"""At which homes the water is not to be drunk untreated, and why: what is known there, not what is feared."""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Final

import polars as pl

from fleetstats.components import Component
from fleetstats.tables import TABLES

#: Why, most telling first. A mere ceiling of this tool or of a firm is not among them.
REASONS: Final = (
    "failed_sample",
    "open_alarm",
    "lamp_dead",
    "lamp_missing",
    "lamp_past_rated",
    "sleeve_scaled",
)


def unsafe_water(
    *, sites: pl.DataFrame, units: pl.DataFrame, components: Mapping[str, Component], as_of: date
) -> pl.DataFrame:
    """Return a row for each reason not to drink a home's water untreated, sites in order.

    Parameters
    ----------
    sites : polars frame
        site_id, left_on, failed_sample_on, failed_sample_of, open_alarm_on (all null = none).
    units : polars frame
        Units in place: site_id, component, slot, fitted_on, removed, spent_seen, last_look_on, and
        rated_life_days (the part's; null).
    components : mapping of str to Component
    as_of : date

    Returns
    -------
    polars frame
        site_id, why (`REASONS`), component and slot (null = of the site), since (the day it was seen or
        passed; null = not known), what (parameters that failed; null), days (rated life passed; null).
    """
    kept = sites.filter(pl.col("left_on").is_null())
    found = [
        _row(row, why, row[f"{why}_on"])
        for row in kept.iter_rows(named=True)
        for why in ("failed_sample", "open_alarm")
        if row[f"{why}_on"]
    ]
    for unit in units.join(kept.select("site_id"), on="site_id", how="semi").iter_rows(named=True):
        row = _of_unit(unit, components[unit["component"]], as_of)
        found += [row] if row else []
    table = TABLES["unsafe_water"].of(found)
    return table.sort("site_id", pl.col("why").cast(pl.Enum(REASONS)), "component", "slot")


def _row(row: Mapping[str, object], why: str, since: object, days: float | None = None) -> dict[str, object]:
    return {
        "site_id": row["site_id"], "why": why, "component": row.get("component"), "slot": row.get("slot"),
        "since": since, "what": row.get("failed_sample_of") if why == "failed_sample" else None, "days": days,
    }  # fmt: skip


def _of_unit(unit: Mapping[str, object], terms: Component, as_of: date) -> dict[str, object] | None:
    """Return what makes the water doubtful in one place of the UV unit, None where nothing is known to."""
    if not terms.of_uv_unit:
        return None
    if unit["removed"]:
        return _row(unit, "lamp_missing", None) if terms.lamp else None
    if unit["spent_seen"]:
        return _row(unit, "lamp_dead" if terms.lamp else "sleeve_scaled", unit["last_look_on"])
    fitted, rated = unit["fitted_on"], terms.rated_life(unit["rated_life_days"])  # type: ignore[arg-type]
    if terms.lamp and isinstance(fitted, date) and (as_of - fitted).days > rated:
        return _row(unit, "lamp_past_rated", fitted + timedelta(days=int(rated)), rated)
    return None
