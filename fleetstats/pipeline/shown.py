"""From the store's result tables to what the report shows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl

from fleetstats import __version__
from fleetstats.errors import StoreError
from fleetstats.pipeline.in_force import component_terms, settings_used
from fleetstats.pipeline.past_costs import PLAN, RULE
from fleetstats.quantities import FloatArray
from fleetstats.report.frames import FRAMES
from fleetstats.report.results import Results
from fleetstats.settings import Settings
from fleetstats.stock.fleet import UNKNOWN_PART
from fleetstats.store import Store
from fleetstats.trust.calibration import count_range

#: Names by which the report asks for columns that the tables hold under another name.
_RENAMED = {
    "replay": {
        "origin": "as_of",
        "units": "spells",
        "expected_failures": "predicted",
        "expected_low": "predicted_low",
        "expected_high": "predicted_high",
        "failures": "happened",
        "log_score_fleet": "log_score_one_curve",
        "log_score_cohort": "log_score_cohorts",
    },
}


def kept_results(store: Store, *, as_of: date | None, settings: Settings | None) -> Results:
    """Return what the last analysis kept, as the report shows it.

    Parameters
    ----------
    store : Store
    as_of : date or None
        The day that the analysis must be of; None takes it as it is.
    settings : Settings or None
        The settings that it must have been made with; None takes those it was made with.

    Raises
    ------
    StoreError
        If there is no analysis, or it is of another day or other settings.
    """
    held = set(store.tables()["table"])
    if "analysis" not in held:
        raise StoreError(f"store {store.path}: holds no analysis yet; run: fleetstats analyse")
    day: date = store.table("analysis")["as_of"][0]
    if as_of is not None and as_of != day:
        raise StoreError(
            f"store {store.path}: its analysis is as of {day}, not {as_of}; "
            f"run: fleetstats analyse --as-of {as_of}"
        )
    own = settings_used(store)
    if settings is not None and settings != own:
        raise StoreError(
            f"store {store.path}: its analysis was made with other settings; analyse again with these"
        )
    frames = {name: _renamed(name, store.table(name)) for name in FRAMES if name in held}
    if "replay" in frames and "policy_costs" in held:
        frames["replay"] = _with_costs(frames["replay"], store.table("policy_costs"))
    return Results(as_of=day, display=_display(own, store), version=__version__, **frames)


def _with_costs(replayed: pl.DataFrame, costs: pl.DataFrame) -> pl.DataFrame:
    """Return the replay with a row for each origin and horizon that has no component, but the costs."""
    if costs.is_empty():
        return replayed
    key = ["origin", "horizon_days"]
    values = ["cost_per_site_year", "low", "high", "callouts_per_site_year"]
    wide = costs.pivot("policy", index=[*key, "sites"], values=values)
    told = wide.select(
        "horizon_days",
        "sites",
        *(
            pl.col(f"{value}_{policy}").alias(name.format(shown))
            for value, name in zip(
                values, ("cost_{}", "cost_{}_low", "cost_{}_high", "callouts_{}"), strict=True
            )
            for policy, shown in ((RULE, "rule"), (PLAN, "plan"))
        ),
        as_of="origin",
        component=pl.lit(None, pl.String),
    )
    return pl.concat([replayed, told], how="diagonal")


def _renamed(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    if name == "calibration":
        return _tenths(frame)
    if name in ("stock", "orders", "stock_past", "part_costs"):
        return frame.with_columns(_part_or_kind())
    names = _RENAMED.get(name, {})
    renamed = {old: new for old, new in names.items() if old in frame.columns}
    taken = [new for new in renamed.values() if new in frame.columns and new not in renamed]
    return frame.drop(taken).rename(renamed)


def _part_or_kind() -> pl.Expr:
    """Return the part number; where none is on record the kind of component stands for it."""
    kind = pl.col("component").str.replace_all("_", " ") + pl.lit(", part not on record")
    return (
        pl.when(pl.col("part_number") == UNKNOWN_PART)
        .then(kind)
        .otherwise("part_number")
        .alias("part_number")
    )


def _tenths(calibration: pl.DataFrame) -> pl.DataFrame:
    """Return for each component and tenth of risk the share foretold and the share that came.

    Units are followed for unequal times and renewed within them, so failures are held against the hazard
    met, H; 1 - exp(-H) is the chance over the mean time followed. `expected` is the hazard that all fittings
    of a tenth met: how many of them should have been spent in the time that each was followed.
    """
    shortest = calibration["horizon_days"].min()
    tenths = (
        calibration.filter(pl.col("horizon_days") == shortest)
        .group_by("component", "group")
        .agg(pl.col("units", "expected", "failures").sum())
        .sort("component", "group")
    )
    low, high = count_range(tenths["failures"].to_numpy(), 0.90)
    units = tenths["units"].to_numpy()
    return tenths.select(
        "component",
        pl.Series("predicted", _chance(tenths["expected"].to_numpy() / units)),
        pl.Series("happened", _chance(tenths["failures"].to_numpy() / units)),
        pl.Series("happened_low", _chance(low / units)),
        pl.Series("happened_high", _chance(high / units)),
        pl.col("units").alias("spells"),
        "expected",
        "failures",
    ).sort("component", "predicted")


def _chance(hazard: FloatArray) -> FloatArray:
    """Return the chance of an end under a cumulative hazard; a plain 0 for none, not minus 0."""
    return 0.0 - np.expm1(-hazard)


def _display(settings: Settings, store: Store) -> Settings:
    """Return the settings with today's rule for each component that the fleet holds."""
    rule = {row["item"]: row["days"] for row in store.table("todays_rule").iter_rows(named=True)}
    held = {
        name: component_terms(own, rule[name]) for name, own in settings.components.items() if name in rule
    }
    return replace(settings, components=held)
