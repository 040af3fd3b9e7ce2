"""The figures of a plan: what was chosen, priced draw by draw of what is unknown, beside today's rule."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fleetstats.advice.binding import COST
from fleetstats.advice.fleet_rows import Batch, FleetRows
from fleetstats.advice.plan_frames import PlannedSites, PlannedUnits, mean_low_high, saving_at_ages_seen
from fleetstats.advice.prices import ComponentPrices, YearlyDraws
from fleetstats.advice.terms import MOST_VISITS
from fleetstats.quantities import DAYS_PER_YEAR, WEEK, FloatArray, IntArray

#: A month either way of the plan, in whole weeks, is priced beside it.
MONTH_WEEKS = 4


@dataclass(frozen=True, slots=True)
class Beside:
    """How much more a year each site costs with other plans, (sites,); not finite where these may not be.

    Attributes
    ----------
    dearer_seen : array (sites,)
        With the best plan within the ages seen.
    dearer_sooner, dearer_later : array (sites,)
        With visits a month sooner and later.
    dearer_closer : array (sites,)
        With visits closer together than any looked at.
    closer_days : array (addresses,)
        How close those are; the plan's own interval where they would not cost less.
    """

    dearer_seen: FloatArray
    dearer_sooner: FloatArray
    dearer_later: FloatArray
    dearer_closer: FloatArray
    closer_days: FloatArray


def plan_figures(
    fleet: FleetRows,
    batch: Batch,
    visit_days: FloatArray,
    every_n: IntArray,
    limited_by: list[str],
    beside: Beside,
) -> tuple[PlannedSites, PlannedUnits]:
    """Return the figures of the sites and units of a batch under its plan and under today's rule.

    Parameters
    ----------
    fleet : FleetRows
    batch : Batch
    visit_days : array (addresses,)
    every_n, limited_by : array, list (units in place,)
    beside : Beside
    """
    units, sites = batch.units, batch.sites
    site_visit = visit_days[fleet.site_address[sites] - batch.first_address]
    visit = site_visit[fleet.site[units] - batch.first_site]
    in_place = fleet.in_place[units]
    usual = np.minimum(fleet.customary[units], fleet.limits.hard_unit_days[units])
    of_units = np.clip(np.floor(usual / visit), 1, MOST_VISITS).astype(np.int64)
    of_units[in_place] = every_n
    names = np.full(len(units), COST, dtype=object)
    names[in_place] = limited_by
    today_visit = fleet.today_visit[fleet.site[units]]
    rows, costs = fleet.life_row[units], fleet.planned_cost[units]
    oldest = fleet.limits.hard_unit_days[units]
    plan = _draws(fleet, units, lambda prices, at: prices.yearly_draws(
        rows[at], planned_cost=costs[at], visit_days=visit[at], every_n=of_units[at],
        oldest_days=oldest[at],
    ))  # fmt: skip
    today = _draws(fleet, units, lambda prices, at: prices.today_draws(
        rows[at], planned_cost=costs[at], visit_days=today_visit[at]
    ))  # fmt: skip
    return (
        _site_figures(fleet, batch, site_visit, plan, today, beside),
        _unit_figures(fleet, units, visit, of_units, names, plan, today),
    )


def _draws(
    fleet: FleetRows, units: IntArray, priced: Callable[[ComponentPrices, IntArray], YearlyDraws]
) -> YearlyDraws:
    """Return yearly cost and call-outs of each unit for each draw; nothing for what is not in place."""
    draws = next((prices.draws for prices in fleet.prices.values()), 1)
    cost, callouts = np.zeros((len(units), draws)), np.zeros((len(units), draws))
    for prices, at in fleet.by_component(units):
        there = at[fleet.in_place[units[at]]]
        found = priced(prices, there)
        cost[there], callouts[there] = found.cost, found.callouts
    return YearlyDraws(cost, callouts)


def _site_figures(
    fleet: FleetRows,
    batch: Batch,
    visit_days: FloatArray,
    plan: YearlyDraws,
    today: YearlyDraws,
    beside: Beside,
) -> PlannedSites:
    def summed(values: FloatArray) -> FloatArray:
        total = np.zeros((len(batch.sites), values.shape[1]))
        np.add.at(total, fleet.site[batch.units] - batch.first_site, values)
        return total

    today_visit = fleet.today_visit[batch.sites]
    closer = beside.closer_days[fleet.site_address[batch.sites] - batch.first_address]
    trip = fleet.trip_cost / fleet.sharing[batch.sites] * DAYS_PER_YEAR
    cost = summed(plan.cost) + (trip / visit_days)[:, None]
    cost_today = summed(today.cost) + (trip / today_visit)[:, None]
    saving = cost_today.mean(axis=1) - cost.mean(axis=1)
    seen = saving_at_ages_seen(saving, beside.dearer_seen)
    callouts, callouts_today = summed(plan.callouts), summed(today.callouts)
    together = [values.sum(axis=0) for values in (cost, cost_today, callouts, callouts_today)]
    return PlannedSites(
        visit_days=visit_days,
        visit_days_current=today_visit,
        callouts=callouts.mean(axis=1),
        callouts_current=callouts_today.mean(axis=1),
        cost=mean_low_high(cost),
        cost_current=mean_low_high(cost_today),
        saving_seen=seen,
        saving_projected=saving - seen,
        cost_draws=cost,
        cost_sooner=cost.mean(axis=1) + beside.dearer_sooner,
        cost_later=cost.mean(axis=1) + beside.dearer_later,
        visit_days_closer=np.where(closer < visit_days, closer, np.nan),
        cost_closer=np.where(closer < visit_days, cost.mean(axis=1) + beside.dearer_closer, np.nan),
        together=np.stack(together)[None],
    )


def _unit_figures(
    fleet: FleetRows,
    units: IntArray,
    visit_days: FloatArray,
    every_n: IntArray,
    limited_by: npt.NDArray[np.object_],
    plan: YearlyDraws,
    today: YearlyDraws,
) -> PlannedUnits:
    chance, chance_today = np.full((len(units), 3), np.nan), np.full(len(units), np.nan)
    away = np.full((len(units), 2), np.nan)
    days = visit_days * every_n
    for prices, at in fleet.by_component(units):
        rows = fleet.life_row[units[at]]
        chance[at] = mean_low_high(prices.spent_by(rows, days[at]))
        for side, step in enumerate((-MONTH_WEEKS * WEEK, MONTH_WEEKS * WEEK)):
            away[at, side] = prices.spent_by(rows, np.maximum(days[at] + step, 1.0)).mean(axis=1)
        chance_today[at] = prices.spent_by(rows, fleet.today[units[at]]).mean(axis=1)
    known = fleet.life_row[units] >= 0
    known &= np.array([name in fleet.prices for name in fleet.component[units]], dtype=np.bool_)
    return PlannedUnits(
        visit_days=visit_days,
        every_n=every_n,
        current_days=fleet.today[units],
        limited_by=limited_by,
        failure_chance=chance,
        failure_chance_current=chance_today,
        failure_chance_away=away,
        cost=np.where(known, plan.cost.mean(axis=1), np.nan),
        cost_current=np.where(known, today.cost.mean(axis=1), np.nan),
        held=fleet.held[units],
    )
