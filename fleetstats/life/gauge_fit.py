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
import numpy.typing as npt

from fleetstats.life.blocking import LAWS, Blocking
from fleetstats.life.families import FloatArray, family_called
from fleetstats.life.fit import fit_life, on_fit_scale, scaled_prior
from fleetstats.life.gauge_cells import GaugeReadings, gauge_cells
from fleetstats.life.gauge_lesson import Lesson, lesson_of, settled_shares
from fleetstats.life.life_fit import LifeFit
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.priors import Priors
from fleetstats.life.scaling import learn_scaling
from fleetstats.life.site_effect import SiteIntegral

#: Weak priors, common practice: a clean cartridge takes 5 to 40 kPa; a good gauge is a few kPa off.
_PRIOR_MEAN: Final = np.array([np.log(15.0), 1.2, np.log(0.2), np.log(3.0), -3.5])
_PRIOR_SD: Final = np.array([0.5, 0.6, 0.5, 0.5, 0.5])
_LOWEST: Final = np.array([0.0, 0.0, -4.0, -3.0, -7.0])
_HIGHEST: Final = np.array([6.0, 2.0, 1.0, 4.0, -0.5])
_LONGEST: Final = np.array([0.5, 0.5, 0.5, 1.0, 1.0])
_NODES = 9
_MOST_STEPS = 25
#: Squared distance to the top, in standard errors, that will do.
_CLOSE = 0.02
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
    theta : ndarray
        Coefficients, log sigma and log tau of the lives, on the scale of the fit.
    log_joint : tuple of float
        Log of the joint posterior, constants apart, at the start and after each step; never falls.
    laws : dict of str to float
        Log-likelihood each named law loses against the law found, noise and clean drop refitted, lives held.
    readings : int
        Readings that could say something.
    """

    blocking: Blocking
    theta: FloatArray
    log_joint: tuple[float, ...]
    laws: dict[str, float]
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
    compare: bool = False,
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
    compare : bool
        Whether to find out how much each named law loses.
    """
    own = usable(lives, readings)
    climb = _Climb(lives, own, priors, family)
    first = before or fit_life(lives, family, priors=priors, nodes=_NODES)
    begin = replace(start or _first(own, limit_kpa), flow_spread=_flow_spread(own))
    place, values = climb.to_top(first, begin)
    found = _decoded(place.code, begin)
    losses = climb.law_losses(place, begin) if compare else {}
    return GaugeFit(found, place.theta, tuple(values), losses, len(own))


class _Climb:
    """The joint posterior of one component's lives and readings."""

    def __init__(self, lives: Lifetimes, readings: GaugeReadings, priors: Priors, family: str) -> None:
        self._lives, self._readings = lives, readings
        self._family = family_called(family)
        self._scaling = learn_scaling(lives)
        self._prior = scaled_prior(lives, self._scaling, self._family, priors)
        self._columns = self._scaling.design.shape[1]

    def to_top(self, first: LifeFit, begin: Blocking) -> tuple[_Place, list[float]]:
        """Return the top, and the joint posterior on the way there."""
        theta = on_fit_scale(self._scaling, first.estimate)
        if first.node_weights is None:  # no site effect found: begin where sites do differ
            theta = np.append(theta, np.log(0.1))
        place = self._at(theta, _coded(begin), begin)
        values = [place.value]
        for _ in range(_MOST_STEPS):
            slope, curve = self._slopes(place, begin)
            better, rise = self._step(place, slope, curve, begin)
            if better is None:
                break
            place = better
            values.append(place.value)
            if rise < _CLOSE:
                break
        return place, values

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
            up, down = (lesson.values(self._lives, _decoded(place.code + way * step, like)) for way in (1, -1))
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

    def _step(
        self, place: _Place, slope: FloatArray, curve: FloatArray, like: Blocking
    ) -> tuple[_Place | None, float]:
        """Return the next place uphill (None: there is none) and the rise foretold."""
        q = place.theta.size
        held = np.zeros(slope.size, dtype=bool)
        held[q:] = ((place.code <= _LOWEST) & (slope[q:] < 0)) | ((place.code >= _HIGHEST) & (slope[q:] > 0))
        free = np.flatnonzero(~held)
        step = np.zeros(slope.size)
        step[free] = np.linalg.solve(curve[np.ix_(free, free)], slope[free])
        rise = float(slope @ step)
        longest = np.concatenate([np.full(q, 0.5), _LONGEST])
        step = step / max(1.0, float(np.max(np.abs(step) / longest)))
        for halving in range(8):
            part = step * 0.5**halving
            code = np.clip(place.code + part[q:], _LOWEST, _HIGHEST)
            trial = self._at(place.theta + part[:q], code, like)
            if trial.value >= place.value:
                return trial, rise
        return None, rise

    def law_losses(self, place: _Place, like: Blocking) -> dict[str, float]:
        """Return how much log-likelihood each named law loses against the best index, lives held."""
        from scipy import optimize

        weights = place.integral.weights(*self._apart(place.theta))
        lesson = self._lesson(place, like, (weights.effect, weights.share))

        def loss(free: FloatArray, index: float) -> float:
            code = np.insert(free, 1, index)
            parts = lesson.values(self._lives, _decoded(code, like))
            return 0.5 * float((((code - _PRIOR_MEAN) / _PRIOR_SD)[[0, 2, 3, 4]] ** 2).sum()) - float(
                parts[0].sum() + parts[1].sum()
            )

        start = np.delete(place.code, 1)
        best = loss(start, float(place.code[1]))
        bounds = list(zip(np.delete(_LOWEST, 1), np.delete(_HIGHEST, 1), strict=True))
        return {
            name: float(
                optimize.minimize(
                    loss, start, args=(index,), method="L-BFGS-B", bounds=bounds, options={"maxiter": 8}
                ).fun
            )
            - best
            for name, index in LAWS.items()
        }


def _first(readings: GaugeReadings, limit_kpa: float) -> Blocking:
    """Return a law to begin with: the lower readings are taken for clean ones."""
    alone = readings.drop_kpa[~readings.other_kpa.any(axis=1)]
    clean = float(np.quantile(alone, 0.1)) if alone.size >= 10 else Blocking.clean_kpa
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


def _decoded(code: npt.NDArray[np.float64], like: Blocking) -> Blocking:
    return Blocking(
        like.limit_kpa,
        index=float(code[1]),
        clean_kpa=float(np.exp(min(code[0], np.log(like.limit_kpa / 1.5)))),
        spread=float(np.exp(code[2])),
        flow_spread=like.flow_spread,
        gauge_kpa=float(np.exp(code[3])),
        wild_share=float(1 / (1 + np.exp(-code[4]))),
    )
