"""What each policy would have cost over the time that followed an origin, on the lives recorded since."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats.errors import TrustError
from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import DAYS_PER_YEAR, FloatArray, IndexArray
from fleetstats.stock.fleet import Fleet, component_units, fleet_in_place, visit_lateness, with_plans
from fleetstats.stock.lifespans import Lifespans, lifespans
from fleetstats.stock.visit_walk import Counts, Periods, count_renewals
from fleetstats.tables import TABLES
from fleetstats.trust.followup import FollowUp, follow_up
from fleetstats.trust.replay import Origin


@dataclass(frozen=True, slots=True)
class Prices:
    """Money in one currency.

    Attributes
    ----------
    trip, callout : float
        A planned visit before parts; a whole unplanned trip before the part.
    part : mapping of component to float
        Part and labour of one renewal.
    unseen_day : mapping of component to float
        Each day that a hidden failure lies unseen.
    """

    trip: float
    callout: float
    part: Mapping[str, float]
    unseen_day: Mapping[str, float]


def policy_cost(
    then: Origin,
    *,
    horizon_days: int,
    policies: Mapping[str, pl.DataFrame],
    lives: Mapping[str, LifeDraws],
    announced: Mapping[str, bool],
    prices: Prices,
    lateness_days: float = 0.0,
    replicates: int = 100,
    seed: int = 0,
) -> pl.DataFrame:
    """Return the cost per site-year of each policy over the horizon, had it been followed from the origin.

    Every policy meets the same lives: those recorded since, in their order. Where a record ends before the
    policy would have ended the life (a unit replaced early), the rest is drawn from what was believed at the
    origin; the range says how much hangs on that.

    Parameters
    ----------
    then : Origin
        With the spells known after `horizon_days`.
    horizon_days : int
    policies : mapping of name to polars frame
        Plans from the origin on, columns as for `fleetstats.stock.monthly_demand`.
    lives : mapping of component to draws
        As believed at the origin, rows as the component's rows of `then.in_place`.
    announced : mapping of component to bool
    prices : Prices
    lateness_days : float
        As for `fleetstats.stock.monthly_demand`.
    replicates, seed : int

    Returns
    -------
    polars frame
        The table `policy_costs`, one row for each policy.

    Raises
    ------
    TrustError
        If the origin has no spells for the horizon.
    StockError
        If a unit has no plan or no draws.
    """
    if horizon_days not in then.spells_after:
        raise TrustError(
            f"policy cost: no spells known {horizon_days} days after {then.origin}; accepted are "
            f"{', '.join(map(str, then.spells_after)) or 'none'}; follow the origin for that long"
        )
    units = then.in_place.filter(pl.col("component").is_in(list(lives)))
    fleet = fleet_in_place(units, lives=lives, announced=announced, part_share={})
    found = {name: _follow(then, name, announced[name], horizon_days) for name in fleet.components}
    sites = fleet.units["site_id"].n_unique()
    rows = []
    for name, plans in policies.items():
        planned = with_plans(fleet, plans, as_of=then.origin)
        late = visit_lateness(planned, float(horizon_days), lateness_days, replicates, seed)
        sums = _Sums(trips=_trips(planned, horizon_days), cost=np.zeros(replicates))
        for number, component in enumerate(fleet.components):
            counts = _walk(fleet, planned, component, found[component], late, horizon_days, [seed, number])
            sums.add(counts, prices.part.get(component, 0.0), prices.unseen_day.get(component, 0.0), prices)
        key = {"origin": then.origin, "horizon_days": horizon_days, "policy": name, "sites": sites}
        rows.append(key | sums.per(sites * horizon_days / DAYS_PER_YEAR, prices.trip))
    return TABLES["policy_costs"].of(rows)


def _follow(then: Origin, component: str, announced: bool, horizon_days: int) -> FollowUp:
    of = pl.col("component") == component
    return follow_up(
        then.in_place.filter(of),
        then.spells_after[horizon_days].filter(of),
        announced=announced,
        origin=then.origin,
        horizon_days=horizon_days,
    )


def _walk(
    fleet: Fleet,
    planned: pl.DataFrame,
    component: str,
    found: FollowUp,
    lateness: NDArray[np.int16],
    horizon_days: int,
    seed: list[int],
) -> Counts:
    units, rows, parts = component_units(fleet, planned, component)
    lives = lifespans(fleet.lives[component], rows, lateness.shape[2], [*seed, 0])
    return count_renewals(
        units,
        recorded_lives(found, lives, rows),
        lateness=lateness,
        periods=Periods(np.array([1.0, horizon_days + 1.0])),
        parts=parts.stop - parts.start,
        seed=[*seed, 1],
    )


def _trips(planned: pl.DataFrame, horizon_days: int) -> float:
    """Return the planned visits of all sites within the horizon."""
    sites = planned.group_by("site_id").agg(pl.col("first_visit_days", "visit_interval_days").min())
    ahead = (horizon_days - pl.col("first_visit_days")) / pl.col("visit_interval_days")
    return float(sites.select((ahead.floor() + 1).clip(lower_bound=0).sum()).item())


@dataclass(slots=True)
class _Sums:
    """Sums over the sites and components; `cost` (R,) without the trips."""

    trips: float
    cost: FloatArray
    callouts: float = 0.0
    renewals: float = 0.0
    unseen_days: float = 0.0

    def add(self, counts: Counts, part: float, unseen_day: float, prices: Prices) -> None:
        visits, callouts = counts.at_visits.sum(axis=(0, 1)), counts.at_callouts.sum(axis=(0, 1))
        unseen = counts.unseen_days.sum(axis=(0, 1))
        self.cost += (visits + callouts) * part + callouts * prices.callout + unseen * unseen_day
        self.callouts += float(callouts.mean())
        self.renewals += float((visits + callouts).mean())
        self.unseen_days += float(unseen.mean())

    def per(self, site_years: float, trip: float) -> dict[str, float]:
        cost = (self.cost + self.trips * trip) / site_years
        low, high = np.quantile(cost, (0.05, 0.95))
        return {
            "cost_per_site_year": float(cost.mean()),
            "low": float(low),
            "high": float(high),
            "trips_per_site_year": self.trips / site_years,
            "callouts_per_site_year": self.callouts / site_years,
            "renewals_per_site_year": self.renewals / site_years,
            "unseen_days_per_site_year": self.unseen_days / site_years,
        }


@dataclass(frozen=True, slots=True)
class RecordedLives(Lifespans):
    """Recorded lives of n units and their successors in R replicates of what the records leave open.

    Attributes
    ----------
    lower_days, upper_days : numpy.ndarray (n, k)
        What is known of the life in place (column 0) and of its successors; NaN = nothing.
    coming : numpy.ndarray (n, R) of int
        Column of the life that comes next; it moves on as lives are taken.
    """

    lower_days: FloatArray
    upper_days: FloatArray
    coming: IndexArray

    def given(
        self,
        row: IndexArray,
        replicate: IndexArray,
        lasted_days: FloatArray,
        rng: np.random.Generator,
    ) -> FloatArray:
        """Return the whole life in days (m,) of units in place that have lasted `lasted_days` (m,)."""
        lower, upper = self.lower_days[row, 0], self.upper_days[row, 0]
        nothing = np.isnan(lower)
        lower, upper = np.where(nothing, lasted_days, lower), np.where(nothing, np.inf, upper)
        return self.within(row, replicate, lower, upper, rng)

    def fresh(self, row: IndexArray, replicate: IndexArray, rng: np.random.Generator) -> FloatArray:
        """Return the life in days (m,) of the next unit of each pair of row and replicate (m,)."""
        place = self.coming[row, replicate]
        self.coming[row, replicate] += 1
        recorded = np.minimum(place, self.lower_days.shape[1] - 1)
        lower, upper = self.lower_days[row, recorded], self.upper_days[row, recorded]
        nothing = np.isnan(lower) | (place > recorded)
        return self.within(
            row, replicate, np.where(nothing, 0.0, lower), np.where(nothing, np.inf, upper), rng
        )


def recorded_lives(found: FollowUp, lives: Lifespans, rows: IndexArray) -> RecordedLives:
    """Return the recorded lives of the units whose rows among the component's units are `rows` (n,)."""
    spells = pl.DataFrame({"row": found.row, "begun": found.begun})
    place = spells.select(pl.col("begun").cast(pl.Int64).cum_sum().over("row")).to_series().to_numpy()
    shape = (int(max(rows.max(initial=0), found.row.max(initial=0))) + 1, int(place.max(initial=0)) + 1)
    lower, upper = np.full(shape, np.nan), np.full(shape, np.nan)
    lower[found.row, place], upper[found.row, place] = found.lower_days, found.upper_days
    coming = np.ones((rows.size, lives.replicates), np.intp)
    return RecordedLives(lives.family, lives.location, lives.scale, lower[rows], upper[rows], coming)
