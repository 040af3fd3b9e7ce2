"""What happens when service plans are followed: the visit rule applied step by step along true wear paths."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample.wear import CARBON, SEDIMENT, SLEEVE
from tests.hidden_truth.truth import Paths

DAYS_A_YEAR: Final = 365.25


@dataclass(frozen=True, slots=True)
class Counts:
    """What happened over the simulated years, arrays with leading axis of the five units.

    Attributes
    ----------
    planned, unplanned : array (5, rows, plans)
        Renewals at planned visits and at call-outs.
    hidden_days : array (5, rows, plans)
        Days past the end of life unseen; nought for announced units.
    callout_trips : array (rows, plans)
        Call-outs, units spent in the same step served by one.
    years : float
    """

    planned: FloatArray
    unplanned: FloatArray
    hidden_days: FloatArray
    callout_trips: FloatArray
    years: float


def simulate(
    paths: Paths,
    *,
    interval_steps: IntArray,
    every_n: IntArray,
    hard_limit_days: FloatArray,
    has: BoolArray,
    delay_days: FloatArray,
) -> Counts:
    """Return what happens when plans are followed along the given wear paths.

    At every visit a unit is renewed if its age at the next visit would pass its interval by more than half a
    visit interval, or its hard limit by one day; otherwise it stays. Every visit looks at the sleeve and
    cleans it if scaled. A call-out renews what is spent; the other ages run on. From its end to the
    call-out a spent sediment cartridge lets more through, which wears the carbon.

    Parameters
    ----------
    paths : Paths
        Wear of the rows; the same paths for every plan that is to be compared.
    interval_steps : array (rows, 1) of int
        Visit interval in steps of the paths.
    every_n : array (5, rows or 1, plans) of int
        Each unit's interval as every n-th visit.
    hard_limit_days : array (5, rows, 1)
        Age no unit may pass at a visit; inf for none.
    has : array (5, rows) of bool
    delay_days : array (5, rows)
        From the end of a unit's life to its renewal at the call-out.
    """
    return _Run(paths, interval_steps, every_n, hard_limit_days, has, delay_days).run()


class _Run:
    """Ages, shares spent and counts of all units under all plans, moved on step by step."""

    def __init__(
        self,
        paths: Paths,
        interval_steps: IntArray,
        every_n: IntArray,
        hard: FloatArray,
        has: BoolArray,
        delay: FloatArray,
    ) -> None:
        self.paths, self.interval_steps, self.has, self.delay = paths, interval_steps, has, delay
        shape = np.broadcast_shapes((5, has.shape[1], 1), every_n.shape)
        visit_days = interval_steps * paths.step_days
        self.keep_to = np.minimum((every_n - 0.5) * visit_days, hard + 1 - 1e-3 - visit_days).astype(
            np.float32
        )
        self.age = np.zeros(shape, np.float32)
        self.spent = np.zeros(shape, np.float32)
        self.number = np.zeros(shape, np.int64)
        self.can = np.broadcast_to(paths.strengths[0][:, :, None], shape).copy()
        self.can[~has] = np.inf
        self.counts = Counts(
            planned=np.zeros(shape),
            unplanned=np.zeros(shape),
            hidden_days=np.zeros(shape),
            callout_trips=np.zeros(shape[1:]),
            years=len(paths.per_step) * paths.step_days / DAYS_A_YEAR,
        )

    def run(self) -> Counts:
        for step, (wear, fines) in enumerate(zip(self.paths.per_step, self.paths.fines, strict=True)):
            self.spent += wear[:, :, None]
            self.age += self.paths.step_days
            over = self.spent >= self.can
            if over.any():
                self._call_out(over[:SLEEVE], wear, fines)
                self._hide(over[SLEEVE], wear)
            visited = (step + 1) % self.interval_steps == 0
            if visited.any():
                self._visit(visited)
        return self.counts

    def _call_out(self, over: BoolArray, wear: FloatArray, fines: FloatArray) -> None:
        """Renew what has come to its announced end, as from the day the technician comes."""
        let_through = fines * self.delay[SEDIMENT] / self.paths.step_days
        self.spent[CARBON] += over[SEDIMENT] * let_through[:, None]
        unit, row, plan = np.nonzero(over)
        a_step = wear[unit, row]
        rest = (self.spent[unit, row, plan] - self.can[unit, row, plan]) / a_step * self.paths.step_days
        served_for = rest - self.delay[unit, row]  # below nought: the technician is still on the way
        self.counts.unplanned[unit, row, plan] += 1
        self.counts.callout_trips[...] += over.any(axis=0)
        self._renew(unit, row, plan)
        self.age[unit, row, plan] = served_for
        self.spent[unit, row, plan] = served_for * a_step / self.paths.step_days

    def _hide(self, over: BoolArray, wear: FloatArray) -> None:
        """Count the days of this step that a sleeve spent scaled."""
        row, plan = np.nonzero(over)
        past = (self.spent[SLEEVE, row, plan] - self.can[SLEEVE, row, plan]) / wear[SLEEVE, row]
        self.counts.hidden_days[SLEEVE, row, plan] += np.minimum(past, 1) * self.paths.step_days

    def _visit(self, visited: BoolArray) -> None:
        due = (self.age > self.keep_to) & self.has[:, :, None]
        due[SLEEVE] |= self.spent[SLEEVE] >= self.can[SLEEVE]
        unit, row, plan = np.nonzero(due & visited)
        self.counts.planned[unit, row, plan] += 1
        self._renew(unit, row, plan)
        self.age[unit, row, plan] = 0
        self.spent[unit, row, plan] = 0

    def _renew(self, unit: IntArray, row: IntArray, plan: IntArray) -> None:
        number = (self.number[unit, row, plan] + 1) % len(self.paths.strengths)
        self.number[unit, row, plan] = number
        self.can[unit, row, plan] = self.paths.strengths[number, unit, row]
