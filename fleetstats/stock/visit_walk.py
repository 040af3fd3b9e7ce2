"""Walks units through their coming visits: renewals under the visit rule and call-outs, counted by period."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fleetstats.advice.visit_rule import MOST_OVERRUN, OVERRUNS, past_interval, past_limit
from fleetstats.quantities import BoolArray, FloatArray, IndexArray, IntArray
from fleetstats.stock.lifespans import Lifespans
from fleetstats.stock.part_changes import NextPart

#: Unit-replicates walked at once: small enough to stay in the processor's cache.
CELLS_AT_ONCE = 250_000


@dataclass(frozen=True, slots=True)
class Units:
    """Units of one component in place at day 0, and the plan that each follows; arrays of n units.

    Attributes
    ----------
    site : numpy.ndarray (n,) of int
        Row of the site in the table of visit lateness.
    part : numpy.ndarray (n,) of int
        Row of the part in the counts.
    announced : bool
        A failure brings a call-out at once; otherwise it waits for the next visit.
    age_days : numpy.ndarray (n,)
        Age at day 0; NaN where it is unknown, below 0 where the unit comes into service so many days later.
    lasted_days : numpy.ndarray (n,)
        Age at which the unit was last known not to be at the end of its life.
    spent : numpy.ndarray (n,) of bool
        Found at the end of its life and still in place: renewed at the next visit.
    first_visit, visit_interval, interval, hard_limit : numpy.ndarray (n,)
        Days: of the first planned visit, between planned visits, the component's interval, and the
        longest age that a limit allows (inf = none).
    renewed_young : numpy.ndarray (n, 2), optional
        Chance that a planned visit renews a unit that may still stay, up to a quarter and up to half of a
        visit interval old beyond full turns; None: never.
    """

    site: IndexArray
    part: IndexArray
    announced: bool
    age_days: FloatArray
    lasted_days: FloatArray
    spent: BoolArray
    first_visit: FloatArray
    visit_interval: FloatArray
    interval: FloatArray
    hard_limit: FloatArray
    renewed_young: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Periods:
    """Days counted from the as-of date: period i takes the days from `starts[i]` to before the next start.

    Attributes
    ----------
    starts : numpy.ndarray (p + 1,)
        First day of each period, the last one being where the forecast ends.
    """

    starts: FloatArray

    @property
    def last_day(self) -> float:
        """Return the last whole day that is forecast."""
        return float(self.starts[-1]) - 1.0

    def of(self, day: FloatArray) -> IndexArray:
        """Return the period of each moment; a moment after the evening of one day counts to the next."""
        return np.searchsorted(self.starts[1:-1] - 1.0, day, side="left")


@dataclass(frozen=True, slots=True)
class Counts:
    """Units used by part, period and replicate: (parts, p, R) whole numbers.

    Attributes
    ----------
    at_visits, at_callouts : numpy.ndarray
        Renewed at planned visits, and at call-outs, by the part that the unit held at day 0.
    fitted : numpy.ndarray
        The same renewals together, by the part that was fitted.
    unseen_days : numpy.ndarray
        Days that hidden failures lay unseen, in the period that found them.
    """

    at_visits: IntArray
    at_callouts: IntArray
    fitted: IntArray
    unseen_days: FloatArray


def count_renewals(
    units: Units,
    lives: Lifespans,
    *,
    lateness: NDArray[np.int16],
    periods: Periods,
    parts: int,
    seed: list[int],
    following: NextPart | None = None,
) -> Counts:
    """Return how many units of each part are renewed in each period, in each replicate.

    A visit renews what the visit rule renews on its planned day, and what it finds spent; by chance, where
    that is the practice, younger units too. Call-outs renew the spent unit alone. Visits follow the plan's
    calendar, each one late by its own number of days.

    Parameters
    ----------
    units : Units
    lives : Lifespans
        Rows as `units`.
    lateness : numpy.ndarray (sites, visits, R)
        Days by which each visit is late.
    periods : Periods
    parts : int
        Number of parts counted.
    seed : list of int
        Seed of the random lives.
    following : NextPart, optional
        Which part is fitted where another comes out; None: always the same again.
    """
    replicates = lives.replicates
    shape = (parts, periods.starts.size - 1, replicates)
    at_visits, at_callouts, fitted = (np.zeros(shape, np.int64) for _ in range(3))
    counts = Counts(at_visits, at_callouts, fitted, np.zeros(shape))
    step = max(1, CELLS_AT_ONCE // replicates)
    for number, start in enumerate(range(0, units.site.size, step)):
        rows = np.arange(start, min(start + step, units.site.size))
        rng = np.random.default_rng([*seed, number])
        _Walk(units, lives, rows, lateness, periods, counts, following, rng).run()
    return counts


class _Walk:
    """One block of units on its way through the visits; `born` and `fails` are days, (rows, R)."""

    __slots__ = (
        "born", "counts", "fails", "following", "forced", "lateness", "lives", "part", "periods", "rng",
        "rows", "units",
    )  # fmt: skip

    def __init__(
        self,
        units: Units,
        lives: Lifespans,
        rows: IndexArray,
        lateness: NDArray[np.int16],
        periods: Periods,
        counts: Counts,
        following: NextPart | None,
        rng: np.random.Generator,
    ) -> None:
        self.units, self.lives, self.rows, self.lateness = units, lives, rows, lateness
        self.periods, self.counts, self.following, self.rng = periods, counts, following, rng
        shape = (rows.size, lives.replicates)
        self.part = np.broadcast_to(units.part[rows, None], shape).copy()
        age = np.broadcast_to(units.age_days[rows, None], shape).copy()
        unknown = np.isnan(age)
        # Nothing is known of such a unit but that it is within its interval or past it: any age is as likely.
        age[unknown] = (rng.random(shape) * units.interval[rows, None])[unknown]
        lasted = np.broadcast_to(units.lasted_days[rows, None], shape)
        if units.announced:
            lasted = np.maximum(lasted, age)  # it would have been heard of
        row, replicate = (index.ravel() for index in np.indices(shape))
        life = lives.given(rows[row], replicate, lasted.ravel(), rng).reshape(shape)
        self.born = -age
        self.fails = life - age
        self.forced = np.broadcast_to(units.spent[rows, None], shape) | unknown
        self.fails[units.spent[rows]] = np.inf if units.announced else 0.0

    def run(self) -> None:
        last = self.periods.last_day
        units, rows = self.units, self.rows
        planned = units.first_visit[rows].copy()
        visit = 0
        while (due := np.flatnonzero(planned <= last)).size:
            day = planned[due, None] + self.lateness[units.site[rows[due]], visit]
            self._call_outs(due, day)
            self._renew_at_visit(due, day, planned[due, None])
            planned[due] += units.visit_interval[rows[due]]
            visit += 1
        everyone = np.arange(rows.size)
        self._call_outs(everyone, np.full(self.born.shape, np.inf))
        if not units.announced:
            at, replicate = np.nonzero(self.fails < last)
            end = np.full(at.size, last)
            unseen = end - np.maximum(self.fails[at, replicate], 0.0)
            self._count(self.counts.unseen_days, at, replicate, end, unseen)

    def _call_outs(self, some: IndexArray, until: FloatArray) -> None:
        """Renew every announced failure of `some` units up to the day `until` (rows, R)."""
        if not self.units.announced:
            return
        limit = np.minimum(until, self.periods.last_day)
        at, replicate = np.nonzero(self.fails[some] <= limit)
        row, limit = some[at], limit[at, replicate]
        while row.size:
            day = self.fails[row, replicate]
            self._count(self.counts.at_callouts, row, replicate, day)
            self._fit(row, replicate, day)
            again = self.fails[row, replicate] <= limit
            row, replicate, limit = row[again], replicate[again], limit[again]

    def _renew_at_visit(self, some: IndexArray, day: FloatArray, planned: FloatArray) -> None:
        of, age = self.rows[some], planned - self.born[some]
        visit, interval = self.units.visit_interval[of, None], self.units.interval[of, None]
        renew = past_interval(age, visit=visit, interval=interval, overrun=self._overrun(of))
        renew |= past_limit(age, to_next=visit, limit=self.units.hard_limit[of, None])
        renew |= self.forced[some]
        if not self.units.announced:
            renew |= self.fails[some] <= day
        renew &= day <= self.periods.last_day
        at, replicate = np.nonzero(renew)
        row, day = some[at], day[at, replicate]
        if not self.units.announced:
            unseen = day - np.clip(self.fails[row, replicate], 0.0, day)
            self._count(self.counts.unseen_days, row, replicate, day, unseen)
        self._count(self.counts.at_visits, row, replicate, day)
        self._fit(row, replicate, day)

    def _overrun(self, of: IndexArray) -> FloatArray | float:
        """Return how far past its interval each unit may run this time, in visit intervals."""
        young = self.units.renewed_young
        if young is None:
            return MOST_OVERRUN
        asked = self.rng.random((of.size, self.lives.replicates))
        at: IndexArray = (asked >= young[of, :1]).astype(np.intp) + (asked >= young[of, 1:])
        return OVERRUNS[at]

    def _fit(self, row: IndexArray, replicate: IndexArray, day: FloatArray) -> None:
        self.born[row, replicate] = day
        self.forced[row, replicate] = False
        self.fails[row, replicate] = day + self.lives.fresh(self.rows[row], replicate, self.rng)
        if self.following is not None:
            self.part[row, replicate] = self.following.draw(self.part[row, replicate], replicate, self.rng)
        self._add(self.counts.fitted, self.part[row, replicate], replicate, day)

    def _count(
        self,
        counts: IntArray | FloatArray,
        row: IndexArray,
        replicate: IndexArray,
        day: FloatArray,
        weights: FloatArray | None = None,
    ) -> None:
        self._add(counts, self.units.part[self.rows[row]], replicate, day, weights)

    def _add(
        self,
        counts: IntArray | FloatArray,
        part: IndexArray,
        replicate: IndexArray,
        day: FloatArray,
        weights: FloatArray | None = None,
    ) -> None:
        place = (part, self.periods.of(day), replicate)
        flat = np.ravel_multi_index(place, counts.shape)
        counts += np.bincount(flat, weights, minlength=counts.size).reshape(counts.shape)
