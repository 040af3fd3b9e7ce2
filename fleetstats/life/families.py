"""The mathematics of the life families: survival, density and slopes of e in log T = location + sigma e.

Everything is a function of the standardised log age z = (log t - location) / sigma and stays exact far
into both tails: logarithms of small numbers come from series or scaled functions, no probability is clipped.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Final, NamedTuple, TypeVar

import numpy as np
from scipy import special

from fleetstats.errors import LifeError
from fleetstats.quantities import FloatArray

_LOG_ROOT_2PI: Final = 0.5 * np.log(2 * np.pi)
_ROOT_HALF: Final = np.sqrt(0.5)
_F = TypeVar("_F", bound=Callable[..., object])


def quiet(function: _F) -> _F:
    """Return the function with overflow silenced: exp(800) = inf and log 0 = -inf are right limits."""
    return np.errstate(over="ignore", divide="ignore")(function)


@quiet
def log1mexp(x: FloatArray) -> FloatArray:
    """Return log(1 - exp(-x)) for x >= 0, exact at both ends.

    References
    ----------
    Maechler (2012), "Accurately computing log(1 - exp(-|a|))", equation 7.
    """
    return np.where(x < np.log(2), np.log(-np.expm1(-x)), np.log1p(-np.exp(-x)))


def log1mexp_of_exp(log_x: FloatArray) -> FloatArray:
    """Return log(1 - exp(-x)) from log x, so that an x too small for a double is still told from 0."""
    x = np.exp(log_x)
    return np.where(log_x < -30, log_x - 0.5 * x, log1mexp(x))


class Between(NamedTuple):
    """The log chance of an interval, its slopes as both ends move together, and that of its upper end alone.

    Attributes
    ----------
    value, slope, curve : ndarray
        log P, and its first and second derivative in a shift of the interval.
    upper : ndarray
        width times the derivative of log P in the upper end: between 0 and about 1 where widths are small.
    """

    value: FloatArray
    slope: FloatArray
    curve: FloatArray
    upper: FloatArray


class Family(ABC):
    """One life family: the standard distribution of e, with slopes with respect to z.

    Attributes
    ----------
    name : str
    scale_fixed : bool
        True where sigma is 1 by definition.
    """

    name: str
    scale_fixed: bool = False

    @abstractmethod
    def log_sf(self, z: FloatArray) -> FloatArray:
        """Return log P(e > z)."""

    @abstractmethod
    def log_cdf(self, z: FloatArray) -> FloatArray:
        """Return log P(e <= z)."""

    @abstractmethod
    def log_pdf(self, z: FloatArray) -> FloatArray:
        """Return the log density of e at z."""

    @abstractmethod
    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Return log P(low < e <= high)."""

    @abstractmethod
    def between(self, low: FloatArray, width: FloatArray) -> Between:
        """Return log P(low < e <= low + width) and slopes, exact for any width and far into both tails."""

    @abstractmethod
    def score(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return d log_pdf / dz, and its slope."""

    @abstractmethod
    def hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return density over survival, which is - d log_sf / dz, and its slope."""

    @abstractmethod
    def reverse_hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return density over distribution function, which is d log_cdf / dz, and its slope."""

    @abstractmethod
    def quantile(self, p: FloatArray) -> FloatArray:
        """Return the z with P(e <= z) = p, for 0 < p < 1."""

    @abstractmethod
    def tails(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return P(e <= z) and P(e > z), each exact to where doubles end."""

    @abstractmethod
    def density(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the density at z and its slope."""


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
    def score(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return 1 - exp(z) and its slope."""
        return 1 - np.exp(z), -np.exp(z)

    @quiet
    def hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return exp(z), which is its own slope."""
        hazard = np.exp(z)
        return hazard, hazard

    @quiet
    def reverse_hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return exp(z) / expm1(exp(z)) = r, and r (score - r)."""
        x = np.exp(np.minimum(z, 30.0))  # from z = 7 on the ratio is exactly 0
        r = np.where(x > 0, x / np.where(x > 0, np.expm1(x), 1.0), 1.0)
        return r, r * (1 - x - r)

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

    def score(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return - z and - 1."""
        return -z, np.full_like(z, -1.0)

    def hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the inverse h of the Mills ratio, and h (h - z)."""
        hazard: FloatArray = np.sqrt(2 / np.pi) / special.erfcx(z * _ROOT_HALF)
        return hazard, hazard * (hazard - z)

    def reverse_hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the hazard of the mirror image."""
        hazard, slope = self.hazard(-z)
        return hazard, -slope

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

    def score(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return - tanh(z / 2), and - 2 P(e <= z) P(e > z)."""
        return -np.tanh(0.5 * z), -2 * special.expit(z) * special.expit(-z)

    def hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return P(e <= z), and P(e <= z) P(e > z)."""
        below, above = special.expit(z), special.expit(-z)
        return below, below * above

    def reverse_hazard(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return P(e > z), and - P(e <= z) P(e > z)."""
        below, above = special.expit(z), special.expit(-z)
        return above, -below * above

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
