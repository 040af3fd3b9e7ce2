"""The plan of all addresses, batch by batch: price, bound, choose, look at the choice draw by draw."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetstats.advice.choice import (
    Chosen,
    PricedPlans,
    allowed_visits,
    allowed_weeks,
    cheapest,
    plan_cost,
    preferred,
    shifted_cost,
    unless_within,
)
from fleetstats.advice.decisions import WISHES, by_address, name_decisions, wished_weeks
from fleetstats.advice.evidence import DUE_LIST_ONLY
from fleetstats.advice.limits import Limits, name_binding, with_soft_limits
from fleetstats.advice.plan_frames import (
    PlannedSites,
    PlannedUnits,
    joined,
    mean_low_high,
    saving_at_ages_seen,
)
from fleetstats.advice.prices import ComponentPrices, YearlyDraws
from fleetstats.advice.terms import DAYS_PER_YEAR, MOST_VISITS, WEEK, ComponentTerms, VisitTerms

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

_UNITS_AT_ONCE = 4000
#: A month either way of the plan, in whole weeks, is priced beside it.
MONTH_WEEKS = 4


@dataclass(frozen=True, slots=True)
class _Batch:
    """Whole addresses with their sites and units; `there` are the units in place, the ones that count."""

    sites: IntArray
    units: IntArray
    there: IntArray
    first_site: int
    first_address: int
    addresses: int


class Planner:
    """Plans of all served sites.

    Parameters
    ----------
    sites : polars frame
        Sorted by `address` (int from 0): current_visit_days, sharing (sites at the address), and what
        decisions leave of the choice (see `decisions_in_force`).
    units : polars frame
        Sorted by `address`: site_row, component, life_row, removed, planned_cost, seen_days,
        current_visit_days.
    limits : Limits
    prices : mapping
        Component -> its prices; a component without is kept to today's rule and costs nothing here.
    components : mapping
    levels : polars frame
        component, level.
    weeks : array (W,)
        Visit intervals that may be planned.
    terms : VisitTerms
    """

    def __init__(
        self,
        *,
        sites: pl.DataFrame,
        units: pl.DataFrame,
        limits: Limits,
        prices: Mapping[str, ComponentPrices],
        components: Mapping[str, ComponentTerms],
        levels: pl.DataFrame,
        weeks: IntArray,
        terms: VisitTerms,
    ) -> None:
        self._limits, self._prices, self._weeks, self._trip_cost = limits, prices, weeks, terms.trip_cost
        self._shortest, self._longest = terms.shortest_visit_days, terms.longest_visit_days
        self._site_address = sites["address"].to_numpy()
        self._sharing = sites["sharing"].to_numpy()
        self._today_visit = sites["current_visit_days"].to_numpy()
        self._wishes = [sites[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in WISHES]
        self._address, self._site = units["address"].to_numpy(), units["site_row"].to_numpy()
        self._life_row = units["life_row"].fill_null(-1).to_numpy()
        self._in_place = ~units["removed"].fill_null(False).to_numpy()
        self._planned_cost = units["planned_cost"].to_numpy()
        self._seen = units["seen_days"].cast(pl.Float64).fill_null(0.0).to_numpy()
        names = units["component"].to_list()
        self._component = np.array(names, dtype=object)
        self._today = np.array([components[name].current_interval_days for name in names])
        self._customary = np.array([components[name].customary_days for name in names])
        level = dict(levels.select("component", "level").iter_rows())
        without = {name for name in components if name not in prices or level.get(name) == DUE_LIST_ONLY}
        self._held = np.array([name in without for name in names], dtype=np.bool_) | (self._life_row < 0)

    def plan(self) -> tuple[PlannedSites, PlannedUnits]:
        """Return the plan of every site and unit, in the order of the frames given."""
        done = [self._plan_batch(batch) for batch in self._batches()]
        return joined([sites for sites, _ in done]), joined([units for _, units in done])

    def _batches(self) -> Iterator[_Batch]:
        """Yield whole addresses, some thousand units at a time; one empty batch where there is no site."""
        total = int(self._site_address[-1]) + 1 if len(self._site_address) else 0
        ends = np.searchsorted(self._address, np.arange(total), "right")
        first = 0
        while first < max(total, 1):
            start = int(ends[first - 1]) if first else 0
            last = max(int(np.searchsorted(ends, start + _UNITS_AT_ONCE, "right")), min(first + 1, total))
            units = np.arange(start, int(ends[last - 1]) if last else 0)
            low, high = (int(at) for at in np.searchsorted(self._site_address, (first, last)))
            there = units[self._in_place[units]]
            yield _Batch(np.arange(low, high), units, there, low, first, last - first)
            first = max(last, 1)

    # -- choose ---------------------------------------------------------------------------------------
    def _plan_batch(self, batch: _Batch) -> tuple[PlannedSites, PlannedUnits]:
        there = batch.there
        address = self._address[there] - batch.first_address
        pin, cap, floor = self._decided(batch)
        most, held = self._most_days(batch, address)
        week_ok = self._weeks_allowed(most, held)
        week_ok = wished_weeks(
            weeks=self._weeks, allowed=week_ok, most_days=most, pin=pin, cap=cap, floor=floor
        )
        shortest = (self._weeks[week_ok.argmax(axis=1)] * float(WEEK))[address]
        limits, unmet = self._all_limits(there, shortest)
        limit_days = limits.unit_days.min(axis=1)
        visit_ok = allowed_visits(weeks=self._weeks, limit_days=limit_days, longest_only=self._held[there])
        plans = PricedPlans(self._weeks, self._unit_cost(there), self._yearly_trips(batch), address)
        chosen = preferred(plans, week_ok, visit_ok, customary_days=self._customary[there])
        free = cheapest(plans, np.broadcast_to(self._usual_weeks(), week_ok.shape), np.ones_like(visit_ok))
        limited_by = name_decisions(
            self._binding(limits, unmet, address, chosen, free, held=self._held[there]),
            limits=limits,
            visit_days=self._days(chosen)[address],
            free_visit_days=self._days(free)[address],
            pin=pin[address],
            cap=cap[address],
            floor=floor[address],
        )
        seen_days = np.minimum(limit_days, np.maximum(self._seen[there], shortest))
        seen_ok = allowed_visits(weeks=self._weeks, limit_days=seen_days, longest_only=self._held[there])
        seen = cheapest(plans, week_ok, seen_ok)
        seen = unless_within(plans, chosen, seen, seen_days)
        away = [
            self._dearer(
                plans, batch, chosen, shifted_cost(plans, visit_ok, chosen, most_days=most, weeks_on=step)
            )
            for step in (-MONTH_WEEKS, MONTH_WEEKS)
        ]
        return self._look(batch, chosen, limited_by, self._saved_beyond(plans, batch, chosen, seen), away)

    def _usual_weeks(self) -> BoolArray:
        days = self._weeks * WEEK
        return (days >= self._shortest) & (days <= self._longest)

    def _days(self, chosen: Chosen) -> FloatArray:
        return np.asarray((self._weeks * float(WEEK))[chosen.week_at])

    def _decided(self, batch: _Batch) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what decisions leave each address, (addresses,) each: pinned, no longer, no shorter."""
        pinned, no_longer, no_shorter = (wish[batch.sites] for wish in self._wishes)
        return by_address(
            address=self._site_address[batch.sites] - batch.first_address,
            addresses=batch.addresses,
            pinned=pinned,
            no_longer=no_longer,
            no_shorter=no_shorter,
        )

    def _most_days(self, batch: _Batch, address: IntArray) -> tuple[FloatArray, BoolArray]:
        """Return the longest visit interval of each address, and which have nothing to plan by.

        Those keep today's: where records are few nothing is lengthened. Contracts hold where all is gone.
        """
        most = np.full(batch.addresses, np.inf)
        np.minimum.at(most, address, self._limits.hard_visit_days[batch.there])
        everywhere, agreed = self._address[batch.units], self._limits.visit_days[batch.units].min(axis=1)
        np.minimum.at(most, everywhere - batch.first_address, agreed)
        held = np.ones(batch.addresses, dtype=np.bool_)
        np.logical_and.at(held, address, self._held[batch.there])
        today = np.full(batch.addresses, np.inf)
        np.minimum.at(
            today, self._site_address[batch.sites] - batch.first_address, self._today_visit[batch.sites]
        )
        return np.where(held, np.minimum(most, today), most), held

    def _weeks_allowed(self, most: FloatArray, held: BoolArray) -> BoolArray:
        """Return which visit intervals each address may have; one with nothing to plan by keeps today's."""
        allowed = allowed_weeks(
            weeks=self._weeks, most_days=most, shortest_days=self._shortest, longest_days=self._longest
        )
        last = len(self._weeks) - 1 - allowed[:, ::-1].argmax(axis=1)
        return np.asarray(allowed & (~held[:, None] | (np.arange(len(self._weeks)) == last[:, None])))

    def _all_limits(self, there: IntArray, shortest: FloatArray) -> tuple[Limits, BoolArray]:
        """Return the limits of the units in place, and which of them no visit interval can keep."""
        chance = np.full(len(there), np.inf)
        for prices, at in self._by_component(there):
            chance[at] = prices.longest_within_chance(self._life_row[there[at]])
        limits = with_soft_limits(
            self._limits.of(there),
            failure_chance=chance,
            few_records=np.where(self._held[there], self._today[there], np.inf),
            shortest_days=shortest,
        )
        return limits, limits.impossible | (chance < shortest)

    def _unit_cost(self, there: IntArray) -> FloatArray:
        cost = np.zeros((len(there), len(self._weeks), MOST_VISITS))
        for prices, at in self._by_component(there):
            rows = there[at]
            cost[at] = prices.yearly(
                self._life_row[rows],
                planned_cost=self._planned_cost[rows],
                oldest_days=self._limits.hard_unit_days[rows],
            )
        return cost

    def _yearly_trips(self, batch: _Batch) -> FloatArray:
        trips = DAYS_PER_YEAR / (self._weeks * WEEK) * self._trip_cost
        return np.broadcast_to(trips, (batch.addresses, len(self._weeks)))

    def _binding(
        self,
        limits: Limits,
        unmet: BoolArray,
        address: IntArray,
        chosen: Chosen,
        free: Chosen,
        *,
        held: BoolArray,
    ) -> list[str]:
        days = (self._weeks * WEEK).astype(np.float64)
        visit, free_visit = days[chosen.week_at][address], days[free.week_at][address]
        free_days = np.where(held, np.inf, free_visit * free.every_n)
        names = name_binding(
            limits=limits,
            interval_days=visit * chosen.every_n,
            visit_days=visit,
            every_n=chosen.every_n,
            free_days=free_days,
            free_visit_days=np.where(held, np.inf, free_visit),
        )
        return ["cannot_be_met" if no else name for no, name in zip(unmet, names, strict=True)]

    def _saved_beyond(self, plans: PricedPlans, batch: _Batch, chosen: Chosen, seen: Chosen) -> FloatArray:
        """Return how much more a year the best plan within the ages seen would cost each site, (sites,)."""
        rows = np.arange(batch.addresses)
        trips = plans.trip_cost[rows, seen.week_at]
        return self._dearer(plans, batch, chosen, (plan_cost(plans, seen), trips))

    def _dearer(
        self, plans: PricedPlans, batch: _Batch, chosen: Chosen, other: tuple[FloatArray, FloatArray]
    ) -> FloatArray:
        """Return how much more a year each site costs at other costs of units and trips, (sites,)."""
        units, trips = other
        dearer = units - plan_cost(plans, chosen)
        of_units = np.bincount(self._site[batch.there] - batch.first_site, dearer, len(batch.sites))
        of_trips = trips - plans.trip_cost[np.arange(batch.addresses), chosen.week_at]
        at = self._site_address[batch.sites] - batch.first_address
        return np.asarray(of_units + of_trips[at] / self._sharing[batch.sites])

    def _by_component(self, rows: IntArray) -> Iterator[tuple[ComponentPrices, IntArray]]:
        """Yield the prices of each component and where among `rows` its units with a life curve are."""
        for name, prices in self._prices.items():
            at = np.flatnonzero((self._component[rows] == name) & (self._life_row[rows] >= 0))
            if len(at):
                yield prices, at

    # -- look at what was chosen, draw by draw --------------------------------------------------------

    def _look(
        self,
        batch: _Batch,
        chosen: Chosen,
        limited_by: list[str],
        saved_beyond: FloatArray,
        away: list[FloatArray],
    ) -> tuple[PlannedSites, PlannedUnits]:
        units, sites = batch.units, batch.sites
        site_visit = self._days(chosen)[self._site_address[sites] - batch.first_address]
        visit = site_visit[self._site[units] - batch.first_site]
        in_place = self._in_place[units]
        usual = np.minimum(self._customary[units], self._limits.hard_unit_days[units])
        every_n = np.clip(np.floor(usual / visit), 1, MOST_VISITS).astype(np.int64)
        every_n[in_place] = chosen.every_n
        names = np.full(len(units), "cost", dtype=object)
        names[in_place] = limited_by
        today_visit = self._today_visit[self._site[units]]
        rows, costs = self._life_row[units], self._planned_cost[units]
        oldest = self._limits.hard_unit_days[units]
        plan = self._draws(units, lambda prices, at: prices.yearly_draws(
            rows[at], planned_cost=costs[at], visit_days=visit[at], every_n=every_n[at],
            oldest_days=oldest[at],
        ))  # fmt: skip
        today = self._draws(units, lambda prices, at: prices.today_draws(
            rows[at], planned_cost=costs[at], visit_days=today_visit[at]
        ))  # fmt: skip
        return (
            self._site_figures(batch, site_visit, plan, today, saved_beyond, away),
            self._unit_figures(units, visit, every_n, names, plan, today),
        )

    def _draws(
        self, units: IntArray, priced: Callable[[ComponentPrices, IntArray], YearlyDraws]
    ) -> YearlyDraws:
        """Return yearly cost and call-outs of each unit for each draw; nothing for what is not in place."""
        draws = next((prices.draws for prices in self._prices.values()), 1)
        cost, callouts = np.zeros((len(units), draws)), np.zeros((len(units), draws))
        for prices, at in self._by_component(units):
            there = at[self._in_place[units[at]]]
            found = priced(prices, there)
            cost[there], callouts[there] = found.cost, found.callouts
        return YearlyDraws(cost, callouts)

    def _site_figures(
        self,
        batch: _Batch,
        visit_days: FloatArray,
        plan: YearlyDraws,
        today: YearlyDraws,
        saved_beyond: FloatArray,
        away: list[FloatArray],
    ) -> PlannedSites:
        def summed(values: FloatArray) -> FloatArray:
            total = np.zeros((len(batch.sites), values.shape[1]))
            np.add.at(total, self._site[batch.units] - batch.first_site, values)
            return total

        today_visit = self._today_visit[batch.sites]
        trip = self._trip_cost / self._sharing[batch.sites] * DAYS_PER_YEAR
        cost = summed(plan.cost) + (trip / visit_days)[:, None]
        cost_today = summed(today.cost) + (trip / today_visit)[:, None]
        saving = cost_today.mean(axis=1) - cost.mean(axis=1)
        seen = saving_at_ages_seen(saving, saved_beyond)
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
            cost_sooner=cost.mean(axis=1) + away[0],
            cost_later=cost.mean(axis=1) + away[1],
            together=np.stack(together)[None],
        )

    def _unit_figures(
        self,
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
        for prices, at in self._by_component(units):
            rows = self._life_row[units[at]]
            chance[at] = mean_low_high(prices.spent_by(rows, days[at]))
            for side, step in enumerate((-MONTH_WEEKS * WEEK, MONTH_WEEKS * WEEK)):
                away[at, side] = prices.spent_by(rows, np.maximum(days[at] + step, 1.0)).mean(axis=1)
            chance_today[at] = prices.spent_by(rows, self._today[units[at]]).mean(axis=1)
        known = self._life_row[units] >= 0
        known &= np.array([name in self._prices for name in self._component[units]], dtype=np.bool_)
        return PlannedUnits(
            visit_days=visit_days,
            every_n=every_n,
            current_days=self._today[units],
            limited_by=limited_by,
            failure_chance=chance,
            failure_chance_current=chance_today,
            failure_chance_away=away,
            cost=np.where(known, plan.cost.mean(axis=1), np.nan),
            cost_current=np.where(known, today.cost.mean(axis=1), np.nan),
            held=self._held[units],
        )
