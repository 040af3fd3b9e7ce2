"""Finds how a component blocks and how its gauges are read, together with its lives.

One climb to the top of the joint posterior: of the lives (coefficients, sigma, tau), of the blocking law, the
clean drop and the gauges' noise. The life of each unit and the effect of each site are integrated out, never
guessed. Steps are Newton's, with the curvature from the sites' scores.

References
----------
Berndt, Hall, Hall & Hausman (1974), Ann. Econ. Soc. Meas. 3:653: curvature from the outer product of scores.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from fleetstats.life.blocking import Blocking
from fleetstats.life.families import Family, family_called
from fleetstats.life.fit import fit_life, on_fit_scale, scaled_prior
from fleetstats.life.gauge_cells import GaugeReadings, fine_log_densities, gauge_cells, read_lives
from fleetstats.life.life_fit import LifeFit
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.priors import Priors
from fleetstats.life.scaling import learn_scaling
from fleetstats.life.site_effect import SiteIntegral
from fleetstats.life.soft_terms import end_chances
from fleetstats.quantities import FloatArray, IndexArray

#: Weak priors, common practice: a clean cartridge takes 5 to 40 kPa; a good gauge is a few kPa off.
_PRIOR_MEAN: Final = np.array([np.log(15.0), 1.2, np.log(0.2), np.log(3.0), -3.5])
#: Of the log of the clean drop.
CLEAN_SD: Final = 0.5
_PRIOR_SD: Final = np.array([CLEAN_SD, 0.6, 0.5, 0.5, 0.5])
_LOWEST: Final = np.array([0.0, 0.0, -4.0, -3.0, -7.0])
_HIGHEST: Final = np.array([6.0, 2.0, 1.0, 4.0, -0.5])
_LONGEST: Final = np.array([0.5, 0.5, 0.5, 1.0, 1.0])
_NODES = 9
_MOST_STEPS = 25
#: Squared distance to the top, in standard errors, that will do.
_CLOSE = 0.05
#: A step that gains less log posterior than this is the last.
_GAIN = 0.2
#: Step of the differences that slopes in the law are taken by.
_STEP = 1e-3
#: From this many readings with a flow on, the spread of flows is known.
_FEWEST_FLOWS = 20
#: A reading this near the end of a life that ended at a known age tells of the end, not of the way there.
_NEAR_END = 0.98


@dataclass(frozen=True, slots=True, eq=False)
class GaugeFit:
    """How a component blocks, with the lives fitted along.

    Attributes
    ----------
    blocking : Blocking
    errors : ndarray, shape (5,)
        Standard errors of log clean drop, index, log spread, log gauge noise and the wild share's logit.
    log_joint : tuple of float
        Log of the joint posterior, constants apart, at the start and after each step; never falls.
    readings : int
        Readings that could say something.
    """

    blocking: Blocking
    errors: FloatArray
    log_joint: tuple[float, ...]
    readings: int


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """A point of the climb: lives and law, the joint posterior there, and what slopes are taken from."""

    theta: FloatArray
    code: FloatArray
    value: float
    integral: SiteIntegral


def usable(lives: Lifetimes, readings: GaugeReadings) -> GaugeReadings:
    """Return the readings that tell something: not those taken at a known end or past it."""
    end = np.where(lives.exact, lives.lower, np.inf)
    fresh = readings.life < 0
    return readings.take(fresh | (readings.age_days < _NEAR_END * end[readings.life]))


def fit_gauges(
    lives: Lifetimes,
    readings: GaugeReadings,
    *,
    priors: Priors,
    limit_kpa: float,
    family: str = "weibull",
    start: Blocking | None = None,
    before: LifeFit | None = None,
) -> GaugeFit:
    """Return the law, clean drop and noise at the highest joint posterior of lives and readings.

    Parameters
    ----------
    lives : Lifetimes
        With sites.
    readings : GaugeReadings
    priors : Priors
        Of the lives; law and gauges have weak priors of their own.
    limit_kpa : float
        Drop at the end of life.
    family : str
    start : Blocking, optional
        Where to begin.
    before : LifeFit, optional
        A fit of that family to the same lives, to begin from.
    """
    own = usable(lives, readings)
    climb = _Climb(lives, own, priors, family)
    first = before or fit_life(lives, family, priors=priors, nodes=_NODES)
    begin = replace(start or _first(own, limit_kpa), flow_spread=_flow_spread(own))
    place, values, errors = climb.to_top(first, begin)
    found = _decoded(place.code, begin)
    return GaugeFit(found, errors, tuple(values), len(own))


class _Climb:
    """The joint posterior of one component's lives and readings."""

    def __init__(self, lives: Lifetimes, readings: GaugeReadings, priors: Priors, family: str) -> None:
        self._lives, self._readings = lives, readings
        self._family = family_called(family)
        self._scaling = learn_scaling(lives)
        self._prior = scaled_prior(lives, self._scaling, self._family, priors)
        self._columns = self._scaling.design.shape[1]

    def to_top(self, first: LifeFit, begin: Blocking) -> tuple[_Place, list[float], FloatArray]:
        """Return the top, the joint posterior on the way there, and the law's standard errors."""
        theta = on_fit_scale(self._scaling, first.estimate)
        if first.node_weights is None:  # no site effect found: begin where sites do differ
            theta = np.append(theta, np.log(0.1))
        place = self._at(theta, _coded(begin), begin)
        values = [place.value]
        for _ in range(_MOST_STEPS):
            slope, curve = self._slopes(place, begin)
            step = self._step(place, slope, curve)
            if slope @ step < _CLOSE:
                break
            better = self._uphill(place, step, begin)
            if better is None:
                break
            gain, place = better.value - place.value, better
            values.append(place.value)
            if gain < _GAIN:
                break
        return place, values, np.sqrt(np.diag(np.linalg.inv(curve)))[place.theta.size :]

    def _apart(self, theta: FloatArray) -> tuple[FloatArray, float, float]:
        return theta[: self._columns], float(np.exp(theta[-2])), float(np.exp(theta[-1]))

    def _at(self, theta: FloatArray, code: FloatArray, like: Blocking) -> _Place:
        blocking = _decoded(code, like)
        cells = gauge_cells(self._lives, self._readings, blocking)
        design, centre = self._scaling.design, self._scaling.centre
        integral = SiteIntegral(self._lives, design, centre, self._family, _NODES, cells)
        apart = self._apart(theta)
        integral.centre(*apart)
        off = theta - self._prior.mean
        readings, share = settled_shares(self._lives, self._readings)
        value = (
            float(integral.weights(*apart).log_likelihood.sum())
            + float(readings.log_density(blocking, share).sum())
            - 0.5 * float(self._prior.precision @ off**2)
            - 0.5 * float((((code - _PRIOR_MEAN) / _PRIOR_SD) ** 2).sum())
        )
        return _Place(theta, code, value if np.isfinite(value) else -np.inf, integral)

    def _slopes(self, place: _Place, like: Blocking) -> tuple[FloatArray, FloatArray]:
        """Return gradient, and minus the Hessian as the sites' scores have it, priors included."""
        weights, by_site = place.integral.scores(*self._apart(place.theta))
        lesson = self._lesson(place, like, (weights.effect, weights.share))
        sites, laws = by_site.shape[0], place.code.size
        scores = np.zeros((sites + len(lesson.settled[0]), place.theta.size + laws))
        scores[:sites, : place.theta.size] = by_site
        for number, step in enumerate(np.eye(laws) * _STEP):
            up, down = (
                lesson.values(self._lives, _decoded(place.code + way * step, like)) for way in (1, -1)
            )
            of_lives, of_settled = ((u - d) / (2 * _STEP) for u, d in zip(up, down, strict=True))
            column = place.theta.size + number
            scores[:sites, column] = np.bincount(self._lives.site_code[lesson.which], of_lives, sites)
            scores[sites:, column] = of_settled
        precision = np.concatenate([self._prior.precision, _PRIOR_SD**-2])
        off = np.concatenate([place.theta - self._prior.mean, place.code - _PRIOR_MEAN])
        return scores.sum(axis=0) - precision * off, scores.T @ scores + np.diag(precision)

    def _lesson(self, place: _Place, like: Blocking, nodes: tuple[FloatArray, FloatArray]) -> Lesson:
        b, sigma, _ = self._apart(place.theta)
        location = self._scaling.design @ b + self._scaling.centre
        blocking = _decoded(place.code, like)
        return lesson_of(self._lives, self._readings, blocking, self._family, location, sigma, nodes)

    def _step(self, place: _Place, slope: FloatArray, curve: FloatArray) -> FloatArray:
        """Return the step to the top of the local parabola; what lies at its bound and leans out is held."""
        q = place.theta.size
        held = np.zeros(slope.size, dtype=bool)
        held[q:] = ((place.code <= _LOWEST) & (slope[q:] < 0)) | ((place.code >= _HIGHEST) & (slope[q:] > 0))
        free = np.flatnonzero(~held)
        step = np.zeros(slope.size)
        step[free] = np.linalg.solve(curve[np.ix_(free, free)], slope[free])
        longest = np.concatenate([np.full(q, 0.5), _LONGEST])
        return step / max(1.0, float(np.max(np.abs(step) / longest)))

    def _uphill(self, place: _Place, step: FloatArray, like: Blocking) -> _Place | None:
        """Return the place a step on, shortened until it is no lower; None if there is none."""
        for halving in range(6):
            part = step * 0.5**halving
            code = np.clip(place.code + part[place.theta.size :], _LOWEST, _HIGHEST)
            trial = self._at(place.theta + part[: place.theta.size], code, like)
            if trial.value >= place.value:
                return trial
        return None


def _first(readings: GaugeReadings, limit_kpa: float) -> Blocking:
    """Return a law to begin with: the lower readings are taken for clean ones."""
    alone = readings.drop_kpa[~readings.other_kpa.any(axis=1)]
    clean = float(np.quantile(alone, 0.1)) if alone.size >= 10 else float(np.exp(_PRIOR_MEAN[0]))
    return Blocking(limit_kpa, clean_kpa=float(np.clip(clean, 2.0, limit_kpa / 3)))


def _flow_spread(readings: GaugeReadings) -> float:
    flows = readings.log_flow[readings.flow_read]
    return float(flows.std()) if flows.size >= _FEWEST_FLOWS else 0.0


def _coded(blocking: Blocking) -> FloatArray:
    return np.array(
        [
            np.log(blocking.clean_kpa),
            blocking.index,
            np.log(blocking.spread),
            np.log(blocking.gauge_kpa),
            np.log(blocking.wild_share / (1 - blocking.wild_share)),
        ]
    )


def _decoded(code: FloatArray, like: Blocking) -> Blocking:
    return Blocking(
        like.limit_kpa,
        index=float(code[1]),
        clean_kpa=float(np.exp(min(code[0], np.log(like.limit_kpa / 1.5)))),
        spread=float(np.exp(code[2])),
        flow_spread=like.flow_spread,
        gauge_kpa=float(np.exp(code[3])),
        wild_share=float(1 / (1 + np.exp(-code[4]))),
    )


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
