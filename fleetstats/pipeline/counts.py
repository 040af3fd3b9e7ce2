"""Plain counts of the records, to hold against the books before anything else is believed."""

import polars as pl

from fleetstats.intake.fields import TABLES
from fleetstats.store import Relations, Store
from fleetstats.tables import TABLES as RESULTS


def records_held(store: Store) -> pl.DataFrame:
    """Return how many records the store holds, each once however often it was loaded: table_name, records."""
    rows = [(name, store.run(f"SELECT count(*) FROM records.{name}")[0][0]) for name in TABLES]
    return RESULTS["records_held"].of(rows)


def fleet_counts(relations: Relations, *, rated_days: dict[str, float]) -> pl.DataFrame:
    """Return one row a calendar year: sites, visits, call-outs, components renewed, lamps past rating.

    Parameters
    ----------
    relations : Relations
    rated_days : dict
        Component -> rated life, for the components that have one; `lamps_past_rating` counts the units of
        these kinds that were past it when they came out in that year, or at as-of.

    Returns
    -------
    polars frame
        year, sites (visited in that year), visits, callouts, one column a component (how many were renewed),
        lamps_past_rating.
    """
    year = pl.col("visit_date").dt.year().cast(pl.Int64).alias("year")
    visits = relations.visits.group_by(year).agg(
        pl.col("site_id").n_unique().cast(pl.Int64).alias("sites"),
        pl.len().cast(pl.Int64).alias("visits"),
        (pl.col("visit_reason") == "callout").sum().cast(pl.Int64).alias("callouts"),
    )
    renewed = (
        relations.work.filter(pl.col("action").is_in(["fitted", "replaced"]))
        .unique(["visit_id", "component", "slot"])
        .group_by(year, "component")
        .agg(pl.len().cast(pl.Int64))
        .sort("component")
        .pivot("component", index="year", values="len")
    )
    counts = visits.join(renewed, on="year", how="left").join(
        _past_rating(relations, rated_days), on="year", how="left"
    )
    return counts.with_columns(pl.exclude("year").fill_null(0)).sort("year")


def _past_rating(relations: Relations, rated_days: dict[str, float]) -> pl.DataFrame:
    columns = ("component", "fitted_on", "ended_on")
    everything = pl.concat([relations.spells.select(columns), relations.left_out.select(columns)])
    end = pl.col("ended_on").fill_null(pl.lit(relations.as_of, dtype=pl.Date))
    rated = pl.col("component").replace_strict(rated_days, default=None, return_dtype=pl.Float64)
    past = everything.filter((end - pl.col("fitted_on")).dt.total_days() > rated)
    return past.group_by(end.dt.year().cast(pl.Int64).alias("year")).agg(
        pl.len().cast(pl.Int64).alias("lamps_past_rating")
    )
