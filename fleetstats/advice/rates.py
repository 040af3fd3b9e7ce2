"""Tables of how often a component is renewed and spent under the visit rule, by life and visit interval.

Within a family every life curve is one curve shifted in log time, so everything depends on the spread sigma
and on rho = log(visit interval) - location alone. Rates are counted per visit interval, times in visit
intervals.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetstats.advice.visit_rule import OVERRUNS, past_interval
from fleetstats.life.families import family_called
from fleetstats.quantities import FloatArray, IntArray

#: Call-outs fall between visits, so a visit interval is cut into this many phases; a call-out counts as in
#: the middle of its own. A multiple of 4, so that each of OVERRUNS ends between two phases.
PHASES: Final = 16
RHO_STEP: Final = 0.05
#: Beyond these the answer no longer changes in kind: no unit is ever spent, or a hundred are between visits.
RHO_RANGE: Final = (-7.5, 4.6)
SIGMAS: Final = np.geomspace(0.04, 3.0, 37)
_LOG_TIME_STEP: Final = 0.002


@dataclass(frozen=True, slots=True)
class RateTable:
    """Rates per visit interval of one family; each array is (overruns, n, sigmas, rhos).

    Attributes
    ----------
    rhos : array (R,)
        log(visit interval) - location.
    sigmas : array (G,)
    spent : array
        Announced kinds: call-outs. Hidden kinds: days spent unseen, in visit intervals.
    renewed : array
        Announced kinds: renewals at visits. Hidden kinds: all renewals, which happen at visits only.
    """

    rhos: FloatArray
    sigmas: FloatArray
    spent: FloatArray
    renewed: FloatArray


def rate_table(
    family: str, *, announced: bool, most_visits: int, rhos: FloatArray, sigmas: FloatArray
) -> RateTable:
    """Return the rates of one family on `sigmas` x `rhos`, for every n up to `most_visits`.

    Parameters
    ----------
    family : str
    announced : bool
        False for what only looking shows.
    most_visits : int
        Largest n (interval = n visit intervals).
    rhos : array (R,)
        log(visit interval) - location.
    sigmas : array (G,)
    """
    price = _announced_rates if announced else _hidden_rates
    lives = _Lives(family, rhos, sigmas, most_visits + 1)
    found = [price(lives, n) for n in range(1, most_visits + 1)]
    spent, renewed = (np.stack([pair[side] for pair in found], axis=1) for side in (0, 1))
    return RateTable(rhos, sigmas, spent, renewed)


#: Chance that a birth goes back to a visit whatever became of the unit before: moves no figure, ties phases.
_BACK_TO_A_VISIT = 1e-9


class _Lives:
    """What becomes of units by age: share working, time lived and failures, for all sigmas and rhos.

    Attributes
    ----------
    working, lived : array (sigmas, rhos, ages)
        At every half phase up to `visits` visit intervals.
    failing, failing_from_visit : array (sigmas, rhos, visits, PHASES)
        Chance of failing in each phase of each visit interval lived, for a unit that went in at the middle
        of a phase (the first stands for half a phase) and for one that went in at a visit.
    failed, failed_from_visit : array (sigmas, rhos, visits + 1, PHASES)
        Their sums over the visit intervals before.
    """

    def __init__(self, family: str, rhos: FloatArray, sigmas: FloatArray, visits: int) -> None:
        ages = np.arange(2 * visits * PHASES + 1) / (2 * PHASES)
        with np.errstate(divide="ignore"):
            log_ages = rhos[:, None] + np.log(ages)  # in units of exp(location); age 0 is -inf
        self.working = np.exp(family_called(family).log_sf(log_ages / sigmas[:, None, None]))
        self.lived = np.exp(-rhos)[:, None] * _lived(family, sigmas, log_ages)
        from_middle = np.concatenate([self.working[..., :1], self.working[..., 1::2]], axis=-1)
        self.failing, self.failed = _by_interval(from_middle)
        self.failing_from_visit, self.failed_from_visit = _by_interval(self.working[..., ::2])


def _by_interval(working: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the failures of each phase by visit interval, and their sums over the intervals before."""
    failing = (-np.diff(working, axis=-1)).reshape(*working.shape[:-1], -1, PHASES)
    before = np.concatenate([np.zeros_like(failing[..., :1, :]), failing.cumsum(axis=-2)], axis=-2)
    return failing, before


def _lived(family: str, sigmas: FloatArray, log_ages: FloatArray) -> FloatArray:
    """Return the integral of S up to each age, in units of exp(location): (sigmas, *log_ages.shape)."""
    start, end = -20.0, float(np.max(log_ages))
    grid = np.arange(start, end + _LOG_TIME_STEP, _LOG_TIME_STEP)
    errors = family_called(family)
    out = np.empty((len(sigmas), *log_ages.shape))
    for row, sigma in enumerate(sigmas):
        density = np.exp(errors.log_sf(grid / sigma) + grid)
        total = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) * (_LOG_TIME_STEP / 2))])
        out[row] = np.interp(log_ages, grid, total + np.exp(start), left=0.0)
    return out


def _announced_rates(lives: _Lives, n: int) -> tuple[FloatArray, FloatArray]:
    """Return call-outs and planned renewals per visit interval, each (overruns, sigmas, rhos)."""
    rates = [_stationary_rates(lives, n, _visits_passed(n, overrun)) for overrun in OVERRUNS]
    return np.stack([pair[0] for pair in rates]), np.stack([pair[1] for pair in rates])


def _visits_passed(n: int, overrun: float) -> IntArray:
    """Return how many visits a unit from a call-out passes before one renews it, (PHASES,).

    It went in 1/2, 3/2, ... phases before its first visit, so it meets its visits younger than one renewed
    at a visit, and may stay at the n-th.
    """
    age = n - 1 + (np.arange(PHASES) + 0.5) / PHASES
    return np.where(past_interval(age, visit=1.0, interval=n, overrun=overrun), n - 1, n).astype(np.int64)


def _stationary_rates(lives: _Lives, n: int, passed: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return call-outs and planned renewals per visit interval from the chain of births over phases."""
    ages = np.append(2 * (np.arange(PHASES) + PHASES * passed) + 1, 2 * PHASES * n)  # at renewal, half phases
    planned = lives.working[..., ages]
    # where a life is far shorter than a phase, each phase would feed itself alone: shares undetermined
    step = _next_birth(lives, n, passed) * (1.0 - _BACK_TO_A_VISIT)
    step[..., -1] = planned * (1.0 - _BACK_TO_A_VISIT) + _BACK_TO_A_VISIT
    states = PHASES + 1
    balance = np.eye(states) - np.swapaxes(step, -1, -2)
    balance[..., -1, :] = 1.0  # shares add up to 1, in place of an equation that follows from the others
    total = np.zeros((*balance.shape[:-2], states, 1))
    total[..., -1, :] = 1.0
    births = np.linalg.solve(balance, total)[..., 0]
    per_interval = 1.0 / np.sum(births * lives.lived[..., ages], axis=-1)
    spent = np.sum(births * (1.0 - planned), axis=-1)
    return per_interval * spent, per_interval * np.sum(births * planned, axis=-1)


def _next_birth(lives: _Lives, n: int, passed: IntArray) -> FloatArray:
    """Return the chance that a unit in one state is spent and followed by one in another, (..., from, to).

    States are the phases to the next visit, and last a unit that went in at a visit. A unit in the middle of
    a phase that fails within half a phase of j phases is followed by one in the middle of the phase j on.
    """
    phase = np.arange(PHASES)
    elapsed = (phase[:, None] - phase) % PHASES
    out = np.zeros((*lives.failing.shape[:-2], PHASES + 1, PHASES + 1))
    last_round = lives.failing[..., passed[:, None], elapsed] * (elapsed <= phase[:, None])
    out[..., :PHASES, :PHASES] = lives.failed[..., passed[:, None], elapsed] + last_round
    out[..., PHASES, :PHASES] = lives.failed_from_visit[..., n, ::-1]
    return out


def _hidden_rates(lives: _Lives, n: int) -> tuple[FloatArray, FloatArray]:
    """Return visit intervals spent unseen and renewals, per visit interval, each (overruns, sigmas, rhos).

    Every visit looks and cleans what it finds, so all renewals happen at visits: the unit lives on past a
    visit only while still working, and no later than its n-th.
    """
    looks = np.arange(n) * 2 * PHASES
    cycle = lives.working[..., looks].sum(axis=-1)
    unseen = np.maximum(cycle - lives.lived[..., n * 2 * PHASES], 0.0)
    spread = (len(OVERRUNS), *cycle.shape)
    return np.broadcast_to(unseen / cycle, spread), np.broadcast_to(1.0 / cycle, spread)
