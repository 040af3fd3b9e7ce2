"""What a site's own limits and decisions cost a year: its plan with them, less its plan without them."""

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import polars as pl

from fleetstats.advice.decisions import WISHES
from fleetstats.advice.fleet_rows import FleetRows
from fleetstats.advice.plan_figures import PlannedSites
from fleetstats.quantities import FloatArray, IntArray
from fleetstats.tables import TABLES

#: Plans sites and their units, in the order of their addresses.
Replan = Callable[[pl.DataFrame, pl.DataFrame], PlannedSites]

#: Why a row has no price: nothing at the address can be planned by its records.
FEW_RECORDS: Final = "few_records"
_Names = Mapping[str, str | None]
#: What bounds a site by an agreed limit.
_DAYS: Final = ("site_limit_days", "site_limit_begun_days")
#: Of each way to be bound: the columns that say so, and what they are named in the table.
_LIMIT: Final[_Names] = {
    "kind": "site_limit_kind", "max_days": "site_limit_days", "source": "site_limit_source",
    "decided_on": None,
}  # fmt: skip
_DECISION: Final[_Names] = {
    "kind": "decision", "max_days": "decided_interval_days", "source": "decided_reason",
    "decided_on": "decided_on",
}  # fmt: skip


def limit_costs(
    *,
    fleet: FleetRows,
    planned: PlannedSites,
    replan: Replan,
) -> pl.DataFrame:
    """Return what each limit agreed for a site, and each decision there, costs a year.

    One trip serves all sites at an address, so the cost is that of the whole address, shared evenly among
    its sites that are bound in the same way. Differences are taken draw by draw of what is unknown. Where
    records are too few to plan anything at an address, there is no price either.

    Parameters
    ----------
    fleet : FleetRows
    planned : PlannedSites
        Its plan.
    replan : callable
        Plans some of the sites and units anew.

    Returns
    -------
    polars frame
        site_id, kind (of the limit or the decision), max_days, source, decided_on, visit_interval_days,
        visit_interval_days_without, trips_per_year_more, callouts_per_year_more, cost_per_year_more (mean),
        low, high (its 90 % range), unpriced (why there is no price; null = there is).
    """
    of_limits = _priced(
        fleet, planned, replan, _LIMIT,
        bound=pl.col("site_limit_days").is_not_null(),
        freed=[pl.lit(None, pl.Float64).alias(name) for name in _DAYS],
    )  # fmt: skip
    of_decisions = _priced(
        fleet, planned, replan, _DECISION,
        bound=pl.any_horizontal(pl.col(name).is_not_null() for name in WISHES),
        freed=[pl.lit(None, pl.Float64).alias(name) for name in WISHES],
    )  # fmt: skip
    counted = np.unique(fleet.address[fleet.in_place & ~fleet.held])
    known = fleet.sites.filter(pl.Series(np.isin(fleet.site_address, counted)))["site_id"]
    return dearest_first(_withheld(pl.concat([of_limits, of_decisions]), known))


def dearest_first(costs: pl.DataFrame) -> pl.DataFrame:
    """Return the table in its order: the dearest first, what has no price last."""
    return costs.sort(
        "cost_per_year_more", "site_id", descending=[True, False], nulls_last=True, maintain_order=True
    )


def _withheld(costs: pl.DataFrame, known: pl.Series) -> pl.DataFrame:
    """Return the table without the prices of sites that are not among the known ones."""
    told = pl.col("site_id").is_in(known.implode())
    prices = ("callouts_per_year_more", "cost_per_year_more", "low", "high")
    return costs.with_columns(
        *(pl.when(told).then(name).alias(name) for name in prices),
        unpriced=pl.when(~told).then(pl.lit(FEW_RECORDS)),
    )


def _priced(
    fleet: FleetRows,
    planned: PlannedSites,
    replan: Replan,
    names: _Names,
    *,
    bound: pl.Expr,
    freed: list[pl.Expr],
) -> pl.DataFrame:
    sites, addresses = fleet.sites, fleet.site_address
    bounded = sites.select(bound.alias("bound"))["bound"].to_numpy()
    at = np.flatnonzero(np.isin(addresses, addresses[bounded]))
    if not len(at):
        return TABLES["limit_costs"].of()
    some, theirs = _renumbered(sites[at].with_columns(freed), fleet.units)
    without, now = replan(some, theirs), planned.frame[at]
    where = some["address"].to_numpy()
    sharing = np.bincount(where, bounded[at], where.max() + 1)
    more = _summed(planned.cost_draws[at] - without.cost_draws, where) / sharing[:, None]
    calls, trips = (
        (now[name] - without.frame[name]).to_numpy() for name in ("callouts_per_year", "trips_per_year")
    )
    low, high = np.quantile(more, (0.05, 0.95), axis=1)
    known = ((pl.col(column) if column else pl.lit(None)).alias(name) for name, column in names.items())
    told = sites[at].select("site_id", *known)
    told = told.with_columns(
        visit_interval_days=now["visit_interval_days"],
        visit_interval_days_without=without.frame["visit_interval_days"],
        trips_per_year_more=trips / sharing[where],
        callouts_per_year_more=(np.bincount(where, calls) / sharing)[where],
        cost_per_year_more=more.mean(axis=1)[where],
        low=low[where],
        high=high[where],
        unpriced=pl.lit(None),
        decided_by=pl.lit(None),
    )
    return TABLES["limit_costs"].to_keep(told.filter(pl.Series(bounded[at])))


def _renumbered(sites: pl.DataFrame, units: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return some sites and their units with addresses and places counted from 0 again."""
    sites = sites.with_columns(
        address=pl.col("address").rank("dense").cast(pl.Int64) - 1,
        site_row=pl.int_range(pl.len(), dtype=pl.Int64),
    )
    places = sites.select("site_id", "address", "site_row", *_DAYS)
    theirs = units.drop("address", "site_row", *_DAYS)
    theirs = theirs.join(places, on="site_id", maintain_order="left")
    return sites, theirs.sort("address", "site_row", "component", "slot")


def _summed(values: FloatArray, address: IntArray) -> FloatArray:
    """Return the sums over the sites of each address, (addresses, D)."""
    total = np.zeros((int(address.max()) + 1, values.shape[1]))
    np.add.at(total, address, values)
    return total
