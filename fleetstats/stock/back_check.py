"""Holds a past forecast against what was used: by part, with its range and the sites it rests on."""

import numpy as np
import polars as pl

from fleetstats.stock.demand import DemandForecast
from fleetstats.stock.fleet import UNKNOWN_PART


def forecast_against_use(forecast: DemandForecast, used: pl.DataFrame, *, known: pl.Series) -> pl.DataFrame:
    """Return for each part the forecast of its whole months, its 90 % range, and what was used in them.

    Parameters
    ----------
    forecast : DemandForecast
        Made on the last day of a month.
    used : polars frame
        site_id, component, part_number (null = unknown): one row for each part fitted in those months.
    known : polars Series
        Ids of the sites that the forecast knew; what others used is told apart.

    Returns
    -------
    polars frame
        The table `stock_past`; sites is the lesser of how many held the part and how many used it.
    """
    total = forecast.use[:, 1:].sum(axis=1)
    low, high = np.quantile(total, (0.05, 0.95), axis=1, method="inverted_cdf")
    said = forecast.parts.select(
        "part_number", "component", held=pl.col("sites").cast(pl.Int64)
    ).with_columns(forecast=total.mean(axis=1), forecast_low=pl.Series(low), forecast_high=pl.Series(high))
    counted = (
        used.with_columns(pl.col("part_number").cast(pl.String).fill_null(UNKNOWN_PART))
        .group_by("part_number", "component")
        .agg(
            used=pl.len().cast(pl.Int64),
            used_at_added_sites=(~pl.col("site_id").is_in(known.implode())).sum().cast(pl.Int64),
            users=pl.col("site_id").n_unique().cast(pl.Int64),
        )
    )
    both = said.join(counted, on=["part_number", "component"], how="full", coalesce=True)
    numbers = ("forecast", "forecast_low", "forecast_high", "used", "used_at_added_sites", "held", "users")
    return (
        both.with_columns(pl.col(name).fill_null(0) for name in numbers)
        .with_columns(sites=pl.min_horizontal("held", "users"))
        .drop("held", "users")
        .sort("component", "part_number")
    )
