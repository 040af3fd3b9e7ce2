"""The plan of all addresses, batch by batch: price, bound, choose, say what holds the choice."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.advice.binding import Choice, name_held
from fleetstats.advice.choice import (
    Chosen,
    PricedPlans,
    allowed_visits,
    allowed_weeks,
    cheapest,
    closer_plan,
    plan_cost,
    preferred,
    shifted_cost,
    trips_cost,
    unless_within,
)
from fleetstats.advice.decisions import by_address, wished_weeks
from fleetstats.advice.fleet_rows import Batch, FleetRows
from fleetstats.advice.limits import Limits, with_soft_limits
from fleetstats.advice.plan_figures import MONTH_WEEKS, Beside, PlannedSites, joined, plan_figures
from fleetstats.advice.terms import MOST_VISITS
from fleetstats.quantities import DAYS_PER_YEAR, WEEK, BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class _Choice:
    """A plan with the limits that it was chosen within; of units, but `chosen`."""

    limits: Limits
    unmet: BoolArray
    shortest: FloatArray
    limit_days: FloatArray
    visit_ok: BoolArray
    chosen: Chosen


class Planner:
    """Plans of all served sites.

    Parameters
    ----------
    rows : FleetRows
    """

    def __init__(self, rows: FleetRows) -> None:
        self._of = rows

    def plan(self) -> tuple[PlannedSites, pl.DataFrame]:
        """Return the plan of every site and unit, in the order of the frames given."""
        return joined([self._plan_batch(batch) for batch in self._of.batches()])

    def _plan_batch(self, batch: Batch) -> tuple[PlannedSites, pl.DataFrame]:
        there = batch.there
        address = self._of.address[there] - batch.first_address
        pin, cap, floor = self._decided(batch)
        chance = self._within_chance(there)
        most, held = self._most_days(batch, address, chance)
        allowed = self._weeks_allowed(most, held)
        week_ok = wished_weeks(
            weeks=self._of.weeks, allowed=allowed, most_days=most, pin=pin, cap=cap, floor=floor
        )
        plans = PricedPlans(self._of.weeks, self._unit_cost(there), self._yearly_trips(batch), address)
        choice = undecided = self._choice(plans, there, week_ok, chance)
        if (week_ok != allowed).any():
            undecided = self._choice(plans, there, allowed, chance)
        closer = closer_plan(
            plans,
            choice.visit_ok,
            choice.chosen,
            shortest_days=self._of.shortest,
            fixed=np.isfinite(pin),
        )
        names = name_held(
            choice.limits,
            choice.unmet,
            self._held_by(plans, batch, choice, undecided, closer, (pin, most, chance)),
            site=self._of.site[there],
        )
        beside = self._beside(plans, batch, choice, closer, week_ok, most)
        chosen = choice.chosen
        return plan_figures(self._of, batch, self._days(chosen), chosen.every_n, names, beside)

    def _beside(
        self,
        plans: PricedPlans,
        batch: Batch,
        choice: _Choice,
        closer: Chosen,
        week_ok: BoolArray,
        most: FloatArray,
    ) -> Beside:
        """Return what other plans cost each site more a year than the one chosen."""
        there, chosen, visit_ok = batch.there, choice.chosen, choice.visit_ok
        seen_days = np.minimum(choice.limit_days, np.maximum(self._of.seen[there], choice.shortest))
        seen_ok = allowed_visits(
            weeks=self._of.weeks, limit_days=seen_days, longest_only=self._of.held[there]
        )
        seen = unless_within(plans, chosen, cheapest(plans, week_ok, seen_ok), seen_days)
        sooner, later = (
            shifted_cost(
                plans,
                visit_ok,
                chosen,
                most_days=most,
                least_days=self._of.shortest,
                weeks_on=step,
            )
            for step in (-MONTH_WEEKS, MONTH_WEEKS)
        )
        others = ((plan_cost(plans, other), trips_cost(plans, other)) for other in (seen, closer))
        of_seen, of_closer = (self._dearer(plans, batch, chosen, other) for other in others)
        of_sooner, of_later = (self._dearer(plans, batch, chosen, other) for other in (sooner, later))
        return Beside(of_seen, of_sooner, of_later, of_closer, self._days(closer))

    def _choice(self, plans: PricedPlans, there: IntArray, week_ok: BoolArray, chance: FloatArray) -> _Choice:
        """Return the plan chosen where each address may have some of the visit intervals (addresses, W)."""
        shortest = (self._of.weeks[week_ok.argmax(axis=1)] * float(WEEK))[plans.address]
        limits = with_soft_limits(
            self._of.limits.of(there),
            failure_chance=chance,
            few_records=np.where(self._of.held[there], self._of.today[there], np.inf),
            shortest_days=shortest,
        )
        unmet = limits.impossible | (chance < shortest)
        limit_days = limits.unit_days.min(axis=1)
        visit_ok = allowed_visits(
            weeks=self._of.weeks, limit_days=limit_days, longest_only=self._of.held[there]
        )
        chosen = preferred(plans, week_ok, visit_ok, customary_days=self._of.customary[there])
        return _Choice(limits, unmet, shortest, limit_days, visit_ok, chosen)

    def _held_by(
        self,
        plans: PricedPlans,
        batch: Batch,
        choice: _Choice,
        undecided: _Choice,
        closer: Chosen,
        bounds: tuple[FloatArray, FloatArray, FloatArray],
    ) -> Choice:
        """Return all that tells what holds the intervals; `bounds`: pins, limits of addresses, chances."""
        there, address, (pin, most, chance) = batch.there, plans.address, bounds
        usual = self._weeks_within(np.full(batch.addresses, np.inf))
        free = preferred(
            plans, usual, np.ones_like(choice.visit_ok), customary_days=self._of.customary[there]
        )
        held = self._of.held[there]
        free_visit = np.where(held, np.inf, self._days(free)[address])
        own = np.full(len(self._of.site_address), np.inf)
        np.minimum.at(own, self._of.site[there], self._of.limits.hard_visit_days[there])
        np.minimum.at(own, self._of.site[there], self._uv_visit_days(there, chance))
        pinned, *bounded = (wish[self._of.site[there]] for wish in self._of.wishes)
        wished = np.where(
            np.isfinite(pin[address]),
            np.maximum(pinned, WEEK) == pin[address],
            np.isfinite(np.stack(bounded)).any(axis=0),
        )
        return Choice(
            visit_days=self._days(choice.chosen)[address],
            every_n=choice.chosen.every_n,
            free_visit_days=free_visit,
            free_days=np.where(held, np.inf, free_visit * free.every_n),
            undecided_visit_days=self._days(undecided.chosen)[address],
            alone_visit_days=self._alone(plans, batch, choice, undecided),
            closer_visit_days=self._days(closer)[address],
            pin=pin[address],
            most_days=most[address],
            own_most_days=own[self._of.site[there]],
            decided_here=wished,
            of_uv_unit=self._of.of_uv_unit[there],
        )

    def _alone(self, plans: PricedPlans, batch: Batch, choice: _Choice, undecided: _Choice) -> FloatArray:
        """Return the visit interval that each unit's site would choose if no other shared its trip, (units,).

        Within the limits of its own units; where no trip is shared, or a decision moves it, the one planned.
        """
        planned = self._days(choice.chosen)[plans.address]
        there = batch.there
        shared = (self._of.sharing[self._of.site[there]] > 1) & (
            planned == self._days(undecided.chosen)[plans.address]
        )
        if not shared.any():
            return planned
        sites, at = np.unique(self._of.site[there[shared]], return_inverse=True)
        own = PricedPlans(
            plans.weeks,
            plans.unit_cost[shared],
            np.broadcast_to(plans.trip_cost[0], (len(sites), len(plans.weeks))),
            at,
        )
        visit_ok = choice.visit_ok[shared]
        allowed = self._weeks_within(np.full(len(sites), np.inf))
        found = preferred(own, allowed, visit_ok, customary_days=self._of.customary[there[shared]])
        week_at = found.week_at[at]
        possible = np.ones(len(sites), dtype=np.bool_)
        np.logical_and.at(possible, at, visit_ok[np.arange(len(at)), week_at, found.every_n - 1])
        alone = planned.copy()
        alone[shared] = np.where(possible[at], self._days(found)[at], planned[shared])
        return alone

    def _weeks_within(self, most: FloatArray) -> BoolArray:
        """Return the visit intervals looked at that lie within the limit of each address, (addresses, W)."""
        return allowed_weeks(
            weeks=self._of.weeks,
            most_days=most,
            shortest_days=self._of.shortest,
            longest_days=self._of.longest,
        )

    def _days(self, chosen: Chosen) -> FloatArray:
        return np.asarray((self._of.weeks * float(WEEK))[chosen.week_at])

    def _decided(self, batch: Batch) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what decisions leave each address, (addresses,) each: pinned, no longer, no shorter."""
        pinned, no_longer, no_shorter = (wish[batch.sites] for wish in self._of.wishes)
        return by_address(
            address=self._of.site_address[batch.sites] - batch.first_address,
            addresses=batch.addresses,
            pinned=pinned,
            no_longer=no_longer,
            no_shorter=no_shorter,
        )

    def _most_days(self, batch: Batch, address: IntArray, chance: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Return the longest visit interval of each address, and which have nothing to plan by.

        Those keep today's: where records are few nothing is lengthened. Contracts hold where all is gone.
        """
        most = np.full(batch.addresses, np.inf)
        np.minimum.at(most, address, self._of.limits.hard_visit_days[batch.there])
        np.minimum.at(most, address, self._uv_visit_days(batch.there, chance))
        everywhere, agreed = (
            self._of.address[batch.units],
            self._of.limits.visit_days[batch.units].min(axis=1),
        )
        np.minimum.at(most, everywhere - batch.first_address, agreed)
        held = np.ones(batch.addresses, dtype=np.bool_)
        np.logical_and.at(held, address, self._of.held[batch.there])
        today = np.full(batch.addresses, np.inf)
        np.minimum.at(
            today, self._of.site_address[batch.sites] - batch.first_address, self._of.today_visit[batch.sites]
        )
        return np.where(held, np.minimum(most, today), most), held

    def _weeks_allowed(self, most: FloatArray, held: BoolArray) -> BoolArray:
        """Return which visit intervals each address may have; one with nothing to plan by keeps today's."""
        allowed = self._weeks_within(most)
        last = len(self._of.weeks) - 1 - allowed[:, ::-1].argmax(axis=1)
        return np.asarray(allowed & (~held[:, None] | (np.arange(len(self._of.weeks)) == last[:, None])))

    def _within_chance(self, there: IntArray) -> FloatArray:
        """Return the longest interval of each unit in place within its tolerated chance of being spent, days.

        That of the UV unit's parts is kept as visits really happen: net of lateness.
        """
        chance = np.full(len(there), np.inf)
        for prices, at in self._of.by_component(there):
            chance[at] = prices.longest_within_chance(self._of.life_row[there[at]])
        chance[self._of.held[there]] = np.inf  # too few records to tell a chance by
        return np.asarray(chance - np.where(self._of.of_uv_unit[there], self._of.terms.lateness_days, 0.0))

    def _uv_visit_days(self, there: IntArray, chance: FloatArray) -> FloatArray:
        """Return the longest visit interval by each unit's tolerated chance, inf but for the UV unit.

        No decision passes it, nor does it ask for visits closer together than any looked at.
        """
        return np.where(self._of.of_uv_unit[there], np.maximum(chance, self._of.shortest), np.inf)

    def _unit_cost(self, there: IntArray) -> FloatArray:
        cost = np.zeros((len(there), len(self._of.weeks), MOST_VISITS))
        for prices, at in self._of.by_component(there):
            rows = there[at]
            cost[at] = prices.yearly(
                self._of.life_row[rows],
                planned_cost=self._of.planned_cost[rows],
                oldest_days=self._of.limits.hard_unit_days[rows],
            )
        return cost

    def _yearly_trips(self, batch: Batch) -> FloatArray:
        trips = DAYS_PER_YEAR / (self._of.weeks * WEEK) * self._of.terms.trip_cost
        return np.broadcast_to(trips, (batch.addresses, len(self._of.weeks)))

    def _dearer(
        self, plans: PricedPlans, batch: Batch, chosen: Chosen, other: tuple[FloatArray, FloatArray]
    ) -> FloatArray:
        """Return how much more a year each site costs at other costs of units and trips, (sites,)."""
        units, trips = other
        dearer = units - plan_cost(plans, chosen)
        of_units = np.bincount(self._of.site[batch.there] - batch.first_site, dearer, len(batch.sites))
        of_trips = trips - trips_cost(plans, chosen)
        at = self._of.site_address[batch.sites] - batch.first_address
        return np.asarray(of_units + of_trips[at] / self._of.sharing[batch.sites])
