"""What a month of service costs by part: the parts it takes and the call-outs it makes."""

import numpy as np
import polars as pl

from fleetstats.errors import StockError
from fleetstats.quantities import DAYS_PER_MONTH
from fleetstats.stock.demand import DemandForecast


def service_cost(forecast: DemandForecast, parts: pl.DataFrame, *, callout_cost: float) -> pl.DataFrame:
    """Return the cost of a unit's month in service, by part, over the months that are forecast.

    Parts that last longer at their price, or call out less, cost less a month. Parts serve at different
    sites: a difference between two of them is not yet the merit of the part. What is first fitted at sites
    that are added is no service and does not count.

    Parameters
    ----------
    forecast : DemandForecast
    parts : polars frame
        part_number and unit_cost (null or not listed = no cost).
    callout_cost : float
        Money, the whole unplanned trip without the part.

    Returns
    -------
    polars frame
        part_number, component, units, sites, used_per_year and callouts_per_year (of one unit),
        cost_per_month with low and high (its 90 % range).

    Raises
    ------
    StockError
        If a column is missing, a part is listed twice, or the cost is negative.
    """
    missing = [name for name in ("part_number", "unit_cost") if name not in parts.columns]
    if missing or parts["part_number"].is_duplicated().any():
        found = f"the column {missing[0]} is missing" if missing else "a part is listed twice"
        raise StockError(f"cost of service: {found}; accepted is one row for each part; mend the parts table")
    if not callout_cost >= 0.0:
        raise StockError(f"cost of service: callout_cost is {callout_cost}; accepted is 0 or more")
    prices = forecast.parts.join(
        parts.select("part_number", pl.col("unit_cost").cast(pl.Float64)),
        on="part_number",
        how="left",
        maintain_order="left",
    )
    price = prices["unit_cost"].fill_null(float("nan")).to_numpy()
    used = forecast.renewed
    callouts = forecast.callouts.sum(axis=1)
    days = prices["unit_days"].to_numpy()
    months = np.where(days > 0.0, days, np.nan) / DAYS_PER_MONTH
    cost = (used * price[:, None] + callouts * callout_cost) / months[:, None]
    low, high = np.quantile(cost, (0.05, 0.95), axis=1)
    return prices.select("part_number", "component", "units", "sites").with_columns(
        used_per_year=pl.Series(used.mean(axis=1) / months * 12.0).fill_nan(None),
        callouts_per_year=pl.Series(callouts.mean(axis=1) / months * 12.0).fill_nan(None),
        cost_per_month=pl.Series(cost.mean(axis=1)).fill_nan(None),
        low=pl.Series(low).fill_nan(None),
        high=pl.Series(high).fill_nan(None),
    )
