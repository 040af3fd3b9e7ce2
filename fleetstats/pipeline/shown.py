"""From the store's result tables to what the report shows."""

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import date

import polars as pl

from fleetstats import __version__
from fleetstats.components import label_of
from fleetstats.errors import StoreError
from fleetstats.pipeline.in_force import component_terms, settings_used
from fleetstats.report.results import Results
from fleetstats.settings import Settings
from fleetstats.stock.fleet import UNKNOWN_PART
from fleetstats.store import Store
from fleetstats.tables import TABLES, Table

#: Tables that not every analysis makes.
MADE_SOMETIMES = frozenset({"plan_changes"})


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
    held = store.tables()
    if "analysis" not in held:
        raise StoreError(f"store {store.path}: holds no analysis yet; run: fleetstats analyse")
    day: date = store.table("analysis")["as_of"][0]
    if as_of is not None and as_of != day:
        raise StoreError(
            f"store {store.path}: its analysis is as of {day}, not {as_of}; "
            f"run: fleetstats analyse --as-of {as_of}"
        )
    lacking = [
        name
        for name, table in TABLES.items()
        if name not in MADE_SOMETIMES and not _holds(held.get(name, ()), table)
    ]
    if lacking:
        raise StoreError(
            f"store {store.path}: its analysis is of another version of fleetstats (table {lacking[0]} is "
            "not as this one makes it); run: fleetstats analyse"
        )
    own = settings_used(store)
    if settings is not None and settings != own:
        raise StoreError(
            f"store {store.path}: its analysis was made with other settings; analyse again with these"
        )
    frames = {name: store.table(name) for name in TABLES if name in held}
    for name in ("stock", "orders", "stock_past", "part_costs"):
        frames[name] = frames[name].with_columns(_part_or_kind(own.components))
    return Results(as_of=day, display=_display(own, store), version=__version__, **frames)


def _holds(columns: Collection[str], table: Table) -> bool:
    return {column.name for column in table.columns} <= set(columns)


def _part_or_kind(components: Iterable[str]) -> pl.Expr:
    """Return the part number; where none is on record the kind of component stands for it."""
    labels = {name: label_of(name) for name in components}
    kind = pl.col("component").replace(labels) + pl.lit(", part not on record")
    return (
        pl.when(pl.col("part_number") == UNKNOWN_PART)
        .then(kind)
        .otherwise("part_number")
        .alias("part_number")
    )


def _display(settings: Settings, store: Store) -> Settings:
    """Return the settings with today's rule for each component that the fleet holds."""
    rule = {row["item"]: row["days"] for row in store.table("todays_rule").iter_rows(named=True)}
    held = {
        name: component_terms(own, rule[name]) for name, own in settings.components.items() if name in rule
    }
    return replace(settings, components=held)
