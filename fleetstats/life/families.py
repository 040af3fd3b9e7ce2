"""The mathematics of the life families: survival, density and slopes of e in log T = location + sigma e.

Everything is a function of the standardised log age z = (log t - location) / sigma and stays exact far
into both tails: logarithms of small numbers come from series or scaled functions, no probability is clipped.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import special

from fleetstats.errors import LifeError
from fleetstats.life.family import Between, Family, log1mexp, log1mexp_of_exp, quiet
from fleetstats.quantities import FloatArray

_LOG_ROOT_2PI: Final = 0.5 * np.log(2 * np.pi)
_ROOT_HALF: Final = np.sqrt(0.5)


class Weibull(Family):
    """Smallest extreme value errors: T is Weibull with shape 1/sigma and scale exp(location)."""

    name = "weibull"

    @quiet
    def log_sf(self, z: FloatArray) -> FloatArray:
        """Return log P(e > z) = - exp(z)."""
        return -np.exp(z)

    @quiet
    def log_cdf(self, z: FloatArray) -> FloatArray:
        """Return log P(e <= z); for small z it is z itself, long after exp(z) has underflowed."""
        return log1mexp_of_exp(z)

    @quiet
    def log_pdf(self, z: FloatArray) -> FloatArray:
        """Return z - exp(z)."""
        return z - np.exp(z)

    @quiet
    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Return log P(low < e <= high) from the difference of cumulative hazards."""
        return -np.exp(low) + log1mexp_of_exp(high + log1mexp(high - low))

    @quiet
    def between(self, low: FloatArray, width: FloatArray) -> Between:
        """Return log P and slopes from the hazard H gathered in between: - exp(low) + log(1 - exp(-H)).

        The difference of two densities would be noise where the interval is narrow or exp(low) beyond 1/eps.
        """
        log_gathered = low + width + log1mexp(width)
        gathered = np.exp(np.minimum(log_gathered, 7.0))  # from exp(7) on nothing is left of r
        small = gathered < 1e-8
        r = np.where(small, 1 - 0.5 * gathered, gathered / np.expm1(np.where(small, 1.0, gathered)))
        short = np.where(small, -0.5 * gathered, 1 - gathered - r)
        before = np.exp(low)
        wide = np.where(width > 0, width, 1.0)
        return Between(
            -before + log1mexp_of_exp(log_gathered),
            r - before,
            r * short - before,
            r * wide / -np.expm1(-wide),
        )

    @quiet
    def score(self, z: FloatArray) -> FloatArray:
        """Return 1 - exp(z)."""
        return 1 - np.exp(z)

    @quiet
    def score_slope(self, z: FloatArray) -> FloatArray:
        """Return - exp(z)."""
        return -np.exp(z)

    @quiet
    def hazard(self, z: FloatArray) -> FloatArray:
        """Return exp(z)."""
        return np.exp(z)

    hazard_slope = hazard

    @quiet
    def reverse_hazard(self, z: FloatArray) -> FloatArray:
        """Return exp(z) / expm1(exp(z))."""
        x = np.exp(np.minimum(z, 30.0))  # from z = 7 on the ratio is exactly 0
        return np.where(x > 0, x / np.where(x > 0, np.expm1(x), 1.0), 1.0)

    def reverse_hazard_slope(self, z: FloatArray) -> FloatArray:
        """Return reverse_hazard (score - reverse_hazard)."""
        r = self.reverse_hazard(z)
        return r * (self.score(np.minimum(z, 30.0)) - r)

    def quantile(self, p: FloatArray) -> FloatArray:
        """Return log(-log(1 - p))."""
        return np.log(-np.log1p(-p))

    @quiet
    def tails(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return 1 - exp(-exp(z)) and exp(-exp(z))."""
        x = np.exp(np.minimum(z, 30.0))
        return -np.expm1(-x), np.exp(-x)

    @quiet
    def density(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return exp(z - exp(z)) and its slope."""
        x = np.exp(np.minimum(z, 30.0))
        density = x * np.exp(-x)
        return density, density * (1 - x)


class Exponential(Weibull):
    """The Weibull family with sigma held at 1: a life without ageing."""

    name = "exponential"
    scale_fixed = True


class LogNormal(Family):
    """Standard normal errors."""

    name = "lognormal"

    def log_sf(self, z: FloatArray) -> FloatArray:
        """Return log P(e > z)."""
        return special.log_ndtr(-z)

    def log_cdf(self, z: FloatArray) -> FloatArray:
        """Return log P(e <= z)."""
        return special.log_ndtr(z)

    def log_pdf(self, z: FloatArray) -> FloatArray:
        """Return - z^2 / 2 - log sqrt(2 pi)."""
        log_pdf: FloatArray = -0.5 * z * z - _LOG_ROOT_2PI
        return log_pdf

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Return log P(low < e <= high), mirrored so that no two numbers near 1 are subtracted."""
        mirrored = low + high < 0
        near = special.log_ndtr(-np.where(mirrored, -high, low))
        far = special.log_ndtr(-np.where(mirrored, -low, high))
        log_chance: FloatArray = near + log1mexp(np.maximum(near - far, 0.0))
        return log_chance

    @quiet
    def between(self, low: FloatArray, width: FloatArray) -> Between:
        """Return log P and slopes; of a narrow interval those of the density at its middle.

        The middle's error, width^2 / 24 of the density's second slope, is below 1e-11 there.
        """
        high, middle = low + width, low + 0.5 * width
        narrow = width * (1 + np.abs(middle)) < 1e-5
        apart = np.where(narrow, 1.0, width)
        value = np.where(narrow, self.log_pdf(middle) + np.log(width), self.log_between(low, low + apart))
        first, last = (np.exp(self.log_pdf(end) - value) for end in (low, high))
        turn = width * middle
        near = np.abs(turn) < 1
        slope = np.where(near, first * np.expm1(-np.where(near, turn, 0.0)), last - first)
        slope = np.where(narrow, -middle, slope)
        upper = np.where(narrow, 1 - 0.5 * turn, np.where(last > 0, width * last, 0.0))
        curve = np.where(narrow, -1.0, -(low * slope + upper) - slope * slope)
        return Between(value, slope, curve, upper)

    def score(self, z: FloatArray) -> FloatArray:
        """Return - z."""
        return -z

    def score_slope(self, z: FloatArray) -> FloatArray:
        """Return - 1."""
        return np.full_like(z, -1.0)

    def hazard(self, z: FloatArray) -> FloatArray:
        """Return the inverse of the Mills ratio."""
        hazard: FloatArray = np.sqrt(2 / np.pi) / special.erfcx(z * _ROOT_HALF)
        return hazard

    def hazard_slope(self, z: FloatArray) -> FloatArray:
        """Return hazard (hazard - z)."""
        h = self.hazard(z)
        return h * (h - z)

    def reverse_hazard(self, z: FloatArray) -> FloatArray:
        """Return the hazard of the mirror image."""
        return self.hazard(-z)

    def reverse_hazard_slope(self, z: FloatArray) -> FloatArray:
        """Return - reverse_hazard (reverse_hazard + z)."""
        return -self.hazard_slope(-z)

    def quantile(self, p: FloatArray) -> FloatArray:
        """Return the standard normal quantile."""
        return special.ndtri(p)

    def tails(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return both normal tails: the smaller one, and what it leaves."""
        near = special.ndtr(-np.abs(z))
        left = z < 0
        return np.where(left, near, 1 - near), np.where(left, 1 - near, near)

    def density(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the normal density and its slope."""
        density = np.exp(-0.5 * z * z - _LOG_ROOT_2PI)
        return density, -z * density


class LogLogistic(Family):
    """Standard logistic errors."""

    name = "loglogistic"

    def log_sf(self, z: FloatArray) -> FloatArray:
        """Return - log(1 + exp(z))."""
        return special.log_expit(-z)

    def log_cdf(self, z: FloatArray) -> FloatArray:
        """Return - log(1 + exp(-z))."""
        return special.log_expit(z)

    def log_pdf(self, z: FloatArray) -> FloatArray:
        """Return log_sf + log_cdf."""
        return special.log_expit(-z) + special.log_expit(z)

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Return log P(low < e <= high) = log[(e^high - e^low) / ((1 + e^low)(1 + e^high))]."""
        return special.log_expit(high) + special.log_expit(-low) + log1mexp(high - low)

    @quiet
    def between(self, low: FloatArray, width: FloatArray) -> Between:
        """Return log P and slopes: log_cdf(high) + log_sf(low) and a term of the width alone."""
        high = low + width
        wide = np.where(width > 0, width, 1.0)
        return Between(
            special.log_expit(high) + special.log_expit(-low) + log1mexp(width),
            special.expit(-high) - special.expit(low),
            -special.expit(high) * special.expit(-high) - special.expit(low) * special.expit(-low),
            np.exp(special.log_expit(-high) - special.log_expit(-low)) * wide / -np.expm1(-wide),
        )

    def score(self, z: FloatArray) -> FloatArray:
        """Return - tanh(z / 2)."""
        return -np.tanh(0.5 * z)

    def score_slope(self, z: FloatArray) -> FloatArray:
        """Return - 2 P(e <= z) P(e > z)."""
        return -2 * special.expit(z) * special.expit(-z)

    def hazard(self, z: FloatArray) -> FloatArray:
        """Return P(e <= z)."""
        return special.expit(z)

    def hazard_slope(self, z: FloatArray) -> FloatArray:
        """Return P(e <= z) P(e > z)."""
        return special.expit(z) * special.expit(-z)

    def reverse_hazard(self, z: FloatArray) -> FloatArray:
        """Return P(e > z)."""
        return special.expit(-z)

    def reverse_hazard_slope(self, z: FloatArray) -> FloatArray:
        """Return - P(e <= z) P(e > z)."""
        return -special.expit(z) * special.expit(-z)

    def quantile(self, p: FloatArray) -> FloatArray:
        """Return log(p / (1 - p))."""
        return special.logit(p)

    def tails(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return both tails: the smaller one is e^-|z| times the larger."""
        small = np.exp(-np.abs(z))
        far = 1 / (1 + small)
        near, left = small * far, z < 0
        return np.where(left, near, far), np.where(left, far, near)

    def density(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the product of the tails and its slope."""
        below, above = self.tails(z)
        density = below * above
        return density, density * (above - below)


FAMILIES: Final[dict[str, Family]] = {
    family.name: family for family in (Weibull(), LogNormal(), LogLogistic(), Exponential())
}


def family_called(name: str) -> Family:
    """Return the family of that name.

    Raises
    ------
    LifeError
        If there is none.
    """
    try:
        return FAMILIES[name]
    except KeyError:
        raise LifeError(f"family {name!r} is not known; accepted: {', '.join(FAMILIES)}") from None
