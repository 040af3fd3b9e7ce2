"""Tables of how often a component is renewed and spent under the visit rule, by life and visit interval.

Within a family every life curve is one curve shifted in log time, so everything depends on the spread sigma
and on rho = log(visit interval) - location alone. Rates are counted per visit interval, times in visit
intervals.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetstats.life.families import family_called

FloatArray = npt.NDArray[np.float64]

#: Call-outs fall between visits, so a visit interval is cut into this many phases. It is odd, so that "half a
#: visit interval" falls in the middle of a phase and not on its edge.
PHASES: Final = 17
#: How far past its n-th visit a unit born at a call-out may run, in visit intervals: 0 when a hard limit
#: equals the interval, half where none is near; each in the middle of a phase (0 is the same as a whole
#: interval).
OVERRUNS: Final = np.array([0.0, 4.5, 8.5]) / PHASES
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


class _Lives:
    """Share spent and time lived at every phase up to `visits` visit intervals, for all sigmas and rhos."""

    def __init__(self, family: str, rhos: FloatArray, sigmas: FloatArray, visits: int) -> None:
        ages = np.arange(visits * PHASES + 1) / PHASES
        with np.errstate(divide="ignore"):
            log_ages = rhos[:, None] + np.log(ages)  # in units of exp(location); age 0 is -inf
        errors = family_called(family)
        #: share still working and visit intervals lived, (sigmas, rhos, ages)
        self.working = np.exp(errors.log_sf(log_ages / sigmas[:, None, None]))
        self.lived = np.exp(-rhos)[:, None] * _lived(family, sigmas, log_ages)


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
    rates = [_stationary_rates(lives, _renewal_ages(n, overrun)) for overrun in OVERRUNS]
    return np.stack([pair[0] for pair in rates]), np.stack([pair[1] for pair in rates])


def _renewal_ages(n: int, overrun: float) -> npt.NDArray[np.int64]:
    """Return the age, in phases, at which a unit is renewed that went in 1..PHASES phases before a visit.

    One that went in at a visit is renewed at the n-th visit after it. One from a call-out meets its visits
    younger, and stays at the n-th where its age at the next one passes n visit intervals by no more than
    `overrun`.
    """
    to_visit = np.arange(1, PHASES + 1)
    return np.asarray(to_visit + PHASES * np.where(to_visit <= overrun * PHASES, n, n - 1))


def _stationary_rates(lives: _Lives, renewal_ages: npt.NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Return call-outs and planned renewals per visit interval from the chain of births over phases."""
    step = _next_phase(lives.working, renewal_ages)
    planned = lives.working[..., renewal_ages]
    step[..., :, -1] += planned  # renewed at a visit: a whole interval to the next one
    balance = np.eye(PHASES) - np.swapaxes(step, -1, -2)
    balance[..., -1, :] = 1.0
    total = np.zeros((*balance.shape[:-2], PHASES, 1))
    total[..., -1, :] = 1.0
    births = np.linalg.solve(balance, total)[..., 0]
    per_interval = 1.0 / np.sum(births * lives.lived[..., renewal_ages], axis=-1)
    spent = np.sum(births * (1.0 - planned), axis=-1)
    return per_interval * spent, per_interval * np.sum(births * planned, axis=-1)


def _next_phase(working: FloatArray, renewal_ages: npt.NDArray[np.int64]) -> FloatArray:
    """Return the chance that a unit born in phase r is spent and followed by one born in phase r'.

    Failures within a phase lie in its middle, so half of them land on each of its ends.
    """
    failing = -np.diff(working, axis=-1)
    out = np.zeros((*working.shape[:-1], PHASES, PHASES))
    for row, age in enumerate(renewal_ages):
        landing = np.zeros((*working.shape[:-1], PHASES * (-(-(age + 1) // PHASES))))
        landing[..., :age] += failing[..., :age] / 2
        landing[..., 1 : age + 1] += failing[..., :age] / 2
        elapsed = landing.reshape(*working.shape[:-1], -1, PHASES).sum(axis=-2)
        out[..., row, (row - np.arange(PHASES)) % PHASES] = elapsed
    return out


def _hidden_rates(lives: _Lives, n: int) -> tuple[FloatArray, FloatArray]:
    """Return visit intervals spent unseen and renewals, per visit interval, each (overruns, sigmas, rhos).

    Every visit looks and cleans what it finds, so all renewals happen at visits: the unit lives on past a
    visit only while still working, and no later than its n-th.
    """
    looks = np.arange(n) * PHASES
    cycle = lives.working[..., looks].sum(axis=-1)
    unseen = np.maximum(cycle - lives.lived[..., n * PHASES], 0.0)
    spread = (len(OVERRUNS), *cycle.shape)
    return np.broadcast_to(unseen / cycle, spread), np.broadcast_to(1.0 / cycle, spread)
