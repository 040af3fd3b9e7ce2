"""Random lives: of the units now in place, given how long they have lasted, and of those that follow."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri_exp

from fleetstats.errors import StockError
from fleetstats.life.draws import LifeDraws
from fleetstats.life.families import FAMILIES
from fleetstats.quantities import FloatArray, IndexArray

FAMILY_NAMES = tuple(FAMILIES)
#: A life shorter than the day it began on has no place in records kept by the day.
SHORTEST_LIFE_DAYS = 1.0


@dataclass(frozen=True, slots=True)
class Lifespans:
    """Lives of n units in R replicates; all units of one replicate share one draw of the parameters.

    Attributes
    ----------
    family : numpy.ndarray (R,)
        Place of each replicate's family in `FAMILY_NAMES`.
    location : numpy.ndarray (n, R)
        Log days.
    scale : numpy.ndarray (R,)
    """

    family: NDArray[np.int8]
    location: FloatArray
    scale: FloatArray

    @property
    def replicates(self) -> int:
        """Return R."""
        return self.scale.size

    def fresh(self, row: IndexArray, replicate: IndexArray, rng: np.random.Generator) -> FloatArray:
        """Return the life in days (m,) of a new unit for each pair of row and replicate (m,).

        The same lives as `given` at age 0, in half the time: most lives ahead are drawn here.
        """
        hazard = rng.standard_exponential(row.size)
        z = np.empty(row.size)
        family = self.family[replicate]
        with np.errstate(divide="ignore", over="ignore"):
            for code in np.unique(self.family):
                of = family == code
                z[of] = _age_at_hazard(FAMILY_NAMES[code], hazard[of])
            life = np.exp(self.location[row, replicate] + self.scale[replicate] * z)
        return np.maximum(life, SHORTEST_LIFE_DAYS)

    def given(
        self,
        row: IndexArray,
        replicate: IndexArray,
        lasted_days: FloatArray,
        rng: np.random.Generator,
    ) -> FloatArray:
        """Return the whole life in days (m,) of units that are known to have lasted `lasted_days` (m,)."""
        return self.within(row, replicate, lasted_days, np.full(row.size, np.inf), rng)

    def within(
        self,
        row: IndexArray,
        replicate: IndexArray,
        lower_days: FloatArray,
        upper_days: FloatArray,
        rng: np.random.Generator,
    ) -> FloatArray:
        """Return the life in days (m,) of units whose life is known to lie in (lower, upper], each (m,).

        The cumulative hazard at the end of a life, less that at the age reached, is a standard
        exponential number, cut off where the life must have ended: exact at any age, however far in the tail.
        """
        location, scale = self.location[row, replicate], self.scale[replicate]
        spent = rng.standard_exponential(row.size)
        bounded = bool(np.isfinite(upper_days).any())  # hardly ever: lives in the records, not those ahead
        z = np.empty(row.size)
        with np.errstate(divide="ignore", over="ignore"):
            low = (np.log(lower_days) - location) / scale
            high = (np.log(upper_days) - location) / scale if bounded else low
            family = self.family[replicate]
            for code in np.unique(self.family):
                of, name = family == code, FAMILY_NAMES[code]
                log_sf = FAMILIES[name].log_sf
                reached, further = -log_sf(low[of]), spent[of]
                if bounded:
                    room = -log_sf(high[of]) - reached
                    further = -np.log1p(np.expm1(-further) * -np.expm1(-room))
                # A hazard beyond the largest number: it is over as soon as it begins.
                z[of] = np.where(np.isinf(reached), low[of], _age_at_hazard(name, reached + further))
            life = np.exp(location + scale * z)
        longest = np.maximum(upper_days, SHORTEST_LIFE_DAYS)
        return np.clip(life, np.maximum(lower_days, SHORTEST_LIFE_DAYS), longest)


def lifespans(lives: LifeDraws, rows: IndexArray, replicates: int, seed: list[int]) -> Lifespans:
    """Return the lives of the given rows in `replicates` replicates.

    The draws are spread evenly over the replicates, so each family keeps its weight, and shuffled, so
    that draws of two components meet at random.

    Raises
    ------
    StockError
        If there are no draws, shapes disagree, a number is not finite or a family is unknown.
    """
    location = np.asarray(lives.location, dtype=np.float64)
    scale = np.asarray(lives.scale, dtype=np.float64)
    if location.ndim != 2 or scale.shape != (location.shape[1],) or len(lives.family) != scale.size:
        raise StockError(
            f"lives: location {location.shape}, scale {scale.shape} and {len(lives.family)} families "
            "disagree; accepted is one column of location, one scale and one family for each draw"
        )
    if not scale.size or not (np.isfinite(location).all() and np.isfinite(scale).all() and (scale > 0).all()):
        raise StockError(
            "lives: there are no draws, or a location or scale is not a finite number (scales above 0); "
            "fit the lives again"
        )
    unknown = set(lives.family) - set(FAMILIES)
    if unknown:
        raise StockError(f"lives: family {sorted(unknown)[0]!r} found; accepted are {', '.join(FAMILIES)}")
    column = np.arange(replicates) * scale.size // replicates
    np.random.default_rng(seed).shuffle(column)
    return Lifespans(
        family=np.array([FAMILY_NAMES.index(lives.family[j]) for j in column], dtype=np.int8),
        location=np.ascontiguousarray(location[np.ix_(rows, column)]),
        scale=scale[column],
    )


def _age_at_hazard(family: str, hazard: FloatArray) -> FloatArray:
    """Return the standardised log age at which the cumulative hazard, - log S, is `hazard`."""
    if family == "lognormal":
        return np.asarray(-ndtri_exp(-hazard))
    if family == "loglogistic":
        return hazard + np.log(-np.expm1(-hazard))
    return np.log(hazard)
