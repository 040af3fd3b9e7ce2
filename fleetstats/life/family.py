"""What every life family offers, and the exact small numbers that they are made of."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import NamedTuple, TypeVar

import numpy as np

from fleetstats.quantities import FloatArray

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
    def score(self, z: FloatArray) -> FloatArray:
        """Return d log_pdf / dz."""

    @abstractmethod
    def score_slope(self, z: FloatArray) -> FloatArray:
        """Return d2 log_pdf / dz2."""

    @abstractmethod
    def hazard(self, z: FloatArray) -> FloatArray:
        """Return density over survival, which is - d log_sf / dz."""

    @abstractmethod
    def hazard_slope(self, z: FloatArray) -> FloatArray:
        """Return d hazard / dz."""

    @abstractmethod
    def reverse_hazard(self, z: FloatArray) -> FloatArray:
        """Return density over distribution function, which is d log_cdf / dz."""

    @abstractmethod
    def reverse_hazard_slope(self, z: FloatArray) -> FloatArray:
        """Return d reverse_hazard / dz."""

    @abstractmethod
    def quantile(self, p: FloatArray) -> FloatArray:
        """Return the z with P(e <= z) = p, for 0 < p < 1."""

    @abstractmethod
    def tails(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return P(e <= z) and P(e > z), each exact to where doubles end."""

    @abstractmethod
    def density(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the density at z and its slope."""
