"""The years as they pass: day by day units wear, households call, technicians come and the logbook fills."""

from dataclasses import dataclass

import numpy as np

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample import logbook as words
from fleetstats.sample.changes import Changes, apply_changes
from fleetstats.sample.district import BEFORE_DAYS, NEVER, Service
from fleetstats.sample.gauges import pressures, readings
from fleetstats.sample.logbook import Logbook
from fleetstats.sample.service import Arrivals, WorkDone, technicians, work
from fleetstats.sample.stories import Story
from fleetstats.sample.wear import (
    ANNOUNCED,
    CARBON,
    FINES_PASS,
    LAMP,
    SEDIMENT,
    SEDIMENT_PASSES,
    SLEEVE,
    USE_SEASON,
    Homes,
    Steady,
    day_of_year,
    litres_a_day,
    nominal_capacity,
    steady,
    strength,
    wear_a_day,
)
from fleetstats.sample.weather import Weather

_REFRESH_DAYS = 28  # how often slow things (sludge, a tank's age) are worked out anew
_SOON_DAYS = 10  # a call-out this close to the next visit does its work as well


@dataclass(slots=True)
class State:
    """Where each home stands today; units are rows (5, n), days count from 1970-01-01."""

    wear: FloatArray
    capacity: FloatArray
    part: IntArray
    fitted: IntArray
    age_told: BoolArray
    litres: FloatArray
    due: IntArray
    reported: IntArray
    comes: IntArray
    cause: IntArray


class Years:
    """The fleet's passing years; `run` lives through them and returns the logbook.

    Parameters
    ----------
    homes : Homes
        Changed in place as the years pass: afterwards they are as at the end.
    """

    def __init__(
        self, homes: Homes, service: Service, changes: Changes, story: Story, rng: np.random.Generator
    ) -> None:
        self.homes, self.service, self.changes, self.story, self.rng = homes, service, changes, story, rng
        self.book = Logbook()
        self.weather = Weather(len(homes), story, rng)

    def run(self, *, start: int, end: int) -> Logbook:
        """Return the logbook of `start` to `end`; the years before count, but go unwritten."""
        first = start - BEFORE_DAYS
        self.state = self._begin(first)
        mishaps = self._mishaps(first, end)
        water = steady(self.homes, first, self.story)
        for day in range(first, end + 1):
            changed = apply_changes(self.homes, self.changes, day)
            if changed or (day - first) % _REFRESH_DAYS == 0:
                water = steady(self.homes, day, self.story)
            self._wear(water, day)
            self._households_call(day)
            for site, cause in mishaps.get(day, ()):
                self._call(np.array([site]), np.array([cause]), np.array([day]), np.array([day + 1]))
            self._visits(water, day)
        return self.book

    def _begin(self, first: int) -> State:
        n = len(self.homes)
        state = State(
            wear=np.zeros((5, n)),
            capacity=np.ones((5, n)),
            part=self.homes.part.copy(),
            fitted=np.full((5, n), first),
            age_told=np.broadcast_to(self.rng.random(n) >= self.story.age_known_share, (5, n)).copy(),
            litres=self.rng.uniform(0, 400_000, n),
            due=first + self.rng.integers(1, self.story.visit_interval_days + 1, n),
            reported=np.zeros(n, np.int64),
            comes=np.full(n, NEVER),
            cause=np.zeros(n, np.int64),
        )
        state.due = state.due[self.service.leader]
        state.due[self.service.commissioned] = NEVER
        for unit in range(5):
            fresh = strength(unit, self.rng.random(n), self.rng.random(n), self.story)
            state.capacity[unit] = nominal_capacity(unit, state.part[unit], self.story) * fresh
        return state

    def _mishaps(self, first: int, end: int) -> dict[int, list[tuple[int, int]]]:
        """Return call-outs that no wear explains, by day: leaks, pumps, empty tanks."""
        n = len(self.homes)
        count = self.rng.poisson(self.story.mishaps_per_year * n * (end - first) / 365.25)
        days = self.rng.integers(first, end, count)
        who = self.rng.integers(0, n, count)
        causes = self.rng.choice(words.MISHAPS, count, p=[0.25, 0.2, 0.25, 0.1, 0.2])
        by_day: dict[int, list[tuple[int, int]]] = {}
        for day, site, cause in zip(days.tolist(), who.tolist(), causes.tolist(), strict=True):
            by_day.setdefault(day, []).append((site, cause))
        return by_day

    def _served(self, day: int) -> BoolArray:
        service = self.service
        return (~service.commissioned | (day > service.joins)) & (day <= service.leaves)

    def _wear(self, water: Steady, day: int) -> None:
        state, homes = self.state, self.homes
        of_year = day_of_year(day)
        litres = litres_a_day(water, homes, of_year)
        spent = state.wear[SEDIMENT] > state.capacity[SEDIMENT]
        passes = SEDIMENT_PASSES[state.part[SEDIMENT]] * np.where(spent, FINES_PASS, 1.0)
        state.wear += wear_a_day(water, homes, of_year, self.weather.step(), litres, passes)
        state.litres += litres
        state.litres[self.service.meter_replaced == day] = 0.0

    def _households_call(self, day: int) -> None:
        """Let households whose unit has just come to its end notice it, and call after some days."""
        state, rng = self.state, self.rng
        spent = (state.wear >= state.capacity) & self.homes.has & ANNOUNCED[:, None]
        who = np.flatnonzero(spent.any(axis=0) & (state.comes == NEVER) & self._served(day))
        if not len(who):
            return
        unit = spent[:, who].argmax(axis=0)
        slow = 1 + np.floor(rng.exponential(self.service.notice_days[who]))
        away = USE_SEASON[self.homes.seasonal[who].astype(np.int64), day_of_year(day)] < 0.5
        slow += np.where(away, rng.integers(3, 35, len(who)), 0)
        reported = day + np.where(unit == LAMP, rng.integers(0, 3, len(who)), slow).astype(np.int64)
        odour = (unit == CARBON) & (rng.random(len(who)) < 0.2)
        cause = np.where(odour, words.TASTE_ODOUR, np.where(unit == LAMP, words.UV_ALARM, words.LOW_PRESSURE))
        comes = np.maximum(reported + rng.integers(0, 5, len(who)), day + 1)
        self._call(who, cause, reported, comes)

    def _call(self, who: IntArray, cause: IntArray, reported: IntArray, comes: IntArray) -> None:
        free = (self.state.comes[who] == NEVER) & self._served(int(reported[0]))[who]
        site = who[free]
        self.state.cause[site], self.state.reported[site] = cause[free], reported[free]
        self.state.comes[site] = comes[free]

    def _visits(self, water: Steady, day: int) -> None:
        arrivals = self._arrivals(day)
        if arrivals is None:
            return
        state, site = self.state, arrivals.site
        new = site[arrivals.reason == words.COMMISSION]
        state.wear[:, new], state.fitted[:, new] = 0.0, day
        has = self.homes.has[:, site]
        share = state.wear[:, site] / state.capacity[:, site]
        age = day - state.fitted[:, site]
        done = work(arrivals, share=share, age=age, has=has, story=self.story, rng=self.rng)
        present = np.where(has, share, np.nan)
        gauges, drops = pressures(
            arrivals,
            self.service,
            before=present,
            after=np.where(done.renewed, 0.0, present),
            story=self.story,
            rng=self.rng,
        )
        kits = readings(
            arrivals,
            self.service,
            water,
            share=present,
            lamp_age=age[LAMP],
            litres=state.litres[site],
            story=self.story,
            rng=self.rng,
        )
        fitted_before = state.fitted[:, site]
        self._renew(arrivals, done)
        self._write(arrivals, done, gauges | kits, drops, fitted_before)
        self._schedule(arrivals)

    def _arrivals(self, day: int) -> Arrivals | None:
        """Return who is visited today, and why; a call already made turns a planned visit into a call-out."""
        state, service = self.state, self.service
        served = self._served(day)
        routine, called = (state.due == day) & served, (state.comes == day) & served
        new = service.commissioned & (service.joins == day)
        site = np.flatnonzero(routine | called | new)
        if not len(site):
            return None
        pending = (state.comes[site] < NEVER) & (state.reported[site] <= day) & ~new[site]
        reason = np.where(new[site], words.COMMISSION, np.where(pending, words.CALLOUT, words.ROUTINE))
        return Arrivals(
            day=day,
            site=site,
            reason=reason,
            cause=np.where(pending, state.cause[site], words.NO_CAUSE),
            reported=np.where(pending, state.reported[site], 0),
            full=routine[site] | new[site] | (state.due[site] - day < _SOON_DAYS),
            technician=technicians(site, self.homes.region, len(self.homes), self.rng),
        )

    def _renew(self, arrivals: Arrivals, done: WorkDone) -> None:
        """Put in what is renewed, now and then another part; a cleaned sleeve keeps a trace of scale."""
        state, rng = self.state, self.rng
        unit, column = np.nonzero(done.renewed)
        site = arrivals.site[column]
        u = rng.random((4, len(unit)))
        usual = self.homes.part[unit, site]
        other = np.where((u[2] < 0.08) & (unit != SLEEVE), 1 - np.minimum(usual, 1), usual)
        state.part[unit, site] = other
        fresh = strength(unit, u[0], u[1], self.story)
        for row in np.unique(unit):
            at = unit == row
            capacity = nominal_capacity(int(row), other[at], self.story) * fresh[at]
            state.capacity[row, site[at]] = capacity
        trace = np.where(unit == SLEEVE, 0.08 * u[3], 0.0)
        state.wear[unit, site] = trace * state.capacity[unit, site]
        state.fitted[unit, site] = arrivals.day

    def _write(
        self,
        arrivals: Arrivals,
        done: WorkDone,
        columns: dict[str, FloatArray | BoolArray],
        drops: FloatArray,
        fitted_before: IntArray,
    ) -> None:
        """Write the visits that fall into the home's records, with the work of each."""
        site = arrivals.site
        kept = np.flatnonzero(arrivals.day >= self.service.joins[site])
        if not len(kept):
            return
        told = self.rng.random(len(site)) < self.story.reported_share
        visits = {
            "site": site[kept],
            "day": np.full(len(kept), arrivals.day),
            "reason": arrivals.reason[kept],
            "cause": arrivals.cause[kept],
            "reported": np.where(told, arrivals.reported, 0)[kept],
            "technician": arrivals.technician[kept],
            **{name: values[kept] for name, values in columns.items()},
        }
        visit, unit = np.nonzero(done.touched[:, kept].T)
        at = kept[visit]
        old = fitted_before[unit, at] < self.service.joins[site[at]]
        tells = old & ~self.state.age_told[unit, site[at]] & (arrivals.reason[at] != words.COMMISSION)
        self.state.age_told[unit, site[at]] = True
        work_rows = {
            "visit": visit,
            "unit": unit,
            "action": done.action[unit, at],
            "condition": done.condition[unit, at],
            "part": self.state.part[unit, site[at]],
            "fitted": np.where(tells, fitted_before[unit, at], 0),
            "drop": np.where(unit <= CARBON, drops[np.minimum(unit, CARBON), at], np.nan),
        }
        self.book.write(visits, work_rows, len(kept))

    def _schedule(self, arrivals: Arrivals) -> None:
        """Close the calls answered and set the day of each next visit, a little off the rule."""
        state, rng, story = self.state, self.rng, self.story
        site, planned = arrivals.site, arrivals.site[arrivals.full]
        state.comes[site], state.cause[site], state.reported[site] = NEVER, 0, 0
        late = np.floor(rng.gamma(2.0, story.lateness_days, len(planned)) - 1.8 * story.lateness_days)
        state.due[planned] = arrivals.day + story.visit_interval_days + late.astype(np.int64)
        leader = self.service.leader[planned]
        shares = (leader != planned) & (state.due[leader] < NEVER) & (state.due[leader] > arrivals.day)
        state.due[planned[shares]] = state.due[leader[shares]]
