"""What the readings of lives teach of the blocking law, the lives being as likely as they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleetstats.life.blocking import Blocking
from fleetstats.life.family import Family
from fleetstats.life.gauge_cells import GaugeReadings, fine_log_densities, read_lives
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.soft_terms import end_chances
from fleetstats.quantities import FloatArray, IndexArray


@dataclass(frozen=True, slots=True, eq=False)
class Lesson:
    """Lives with the chance of each end, and the readings whose share of life spent is known.

    Attributes
    ----------
    which : ndarray of int, shape (rows,)
        Lives that are not known exactly and have readings.
    chance : ndarray, shape (rows, cells)
        Of each fine cell of log age, over the posterior of the site's effect, with the say of the life's own
        readings under the present law taken back out.
    readings : GaugeReadings
        Of these lives.
    settled : tuple of (GaugeReadings, ndarray of shape (n, 1))
        Readings of fresh units and of lives known exactly, and the share of life spent then.
    """

    which: IndexArray
    chance: FloatArray
    readings: GaugeReadings
    settled: tuple[GaugeReadings, FloatArray]

    def values(self, lives: Lifetimes, blocking: Blocking) -> tuple[FloatArray, FloatArray]:
        """Return the log-likelihood under another law, lives held: of each of the lives, of each reading.

        At the present law, the slopes of these in the law are those of the joint likelihood.
        """
        _, log_density = fine_log_densities(lives, self.readings, blocking, self.which)
        whole = (self.chance * np.exp(log_density)).sum(axis=1)
        readings, share = self.settled
        return np.log(np.maximum(whole, 1e-300)), readings.log_density(blocking, share)[:, 0]


def settled_shares(lives: Lifetimes, readings: GaugeReadings) -> tuple[GaugeReadings, FloatArray]:
    """Return the readings whose share of life spent is known, and that share, shape (n, 1)."""
    end = np.where(lives.exact, lives.lower, np.inf)
    fresh = readings.life < 0
    which = fresh | lives.exact[readings.life]
    share = np.where(fresh, 0.0, readings.age_days / end[readings.life])
    return readings.take(which), share[which, None]


def lesson_of(
    lives: Lifetimes,
    readings: GaugeReadings,
    blocking: Blocking,
    family: Family,
    location: FloatArray,
    sigma: float,
    nodes: tuple[FloatArray, FloatArray],
) -> Lesson:
    """Return the lesson of the lives under the present law.

    Parameters
    ----------
    location : ndarray, shape (lives,)
        Log days, without the site's effect.
    sigma : float
    nodes : tuple of ndarray, shape (sites, nodes)
        Site effects and their shares.
    """
    which = read_lives(lives, readings)
    edges, log_density = fine_log_densities(lives, readings, blocking, which)
    effect, share = (part[lives.site_code[which]] for part in nodes)
    height, total = np.exp(log_density), np.zeros(log_density.shape)
    for node in range(effect.shape[1]):
        chance = end_chances(family, (edges - (location[which] + effect[:, node])[:, None]) / sigma)
        own = (chance * height).sum(axis=1)
        total += (share[:, node] / np.where(own > 0, own, np.inf))[:, None] * chance
    kept = readings.take(np.isin(readings.life, which))
    return Lesson(which, total, kept, settled_shares(lives, readings))
