"""Posterior draws of the life of the next spell, and what is read off them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetstats.errors import LifeError
from fleetstats.life.families import FAMILIES, Family
from fleetstats.quantities import FloatArray, IndexArray

_CELLS_AT_ONCE = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class LifeDraws:
    """Draws of the life of the next spell of n units: log T = location + scale e.

    Attributes
    ----------
    family : tuple of str, length D
        Family of each draw, in proportion to the families' evidence.
    location : ndarray, shape (n, D)
        Log days; the site's effect included.
    scale : ndarray, shape (D,)
        sigma.
    site_effect : ndarray, shape (n, D)
        u in log days: the site against sites like it.
    """

    family: tuple[str, ...]
    location: FloatArray
    scale: FloatArray
    site_effect: FloatArray

    def take(self, rows: IndexArray) -> LifeDraws:
        """Return the draws of some of the units."""
        return LifeDraws(self.family, self.location[rows], self.scale, self.site_effect[rows])

    def survival(self, days: npt.ArrayLike) -> FloatArray:
        """Return the chance that the next spell outlasts each of the days, averaged over draws.

        Parameters
        ----------
        days : array_like, shape (m,)

        Returns
        -------
        ndarray, shape (n, m)
        """
        log_days = _log_days(days).ravel()
        units, draws = self.location.shape
        total: FloatArray = np.zeros((units, log_days.size))
        size = max(1, _CELLS_AT_ONCE // max(1, draws * log_days.size))
        for family, columns in self.families():
            for start in range(0, units, size):
                part = slice(start, start + size)
                z = (log_days[:, None] - self.location[part, columns][:, None, :]) / self.scale[columns]
                total[part] += np.exp(family.log_sf(z)).sum(axis=2)
        total /= draws
        return total

    def survival_draws(self, days: npt.ArrayLike) -> FloatArray:
        """Return the chance that the next spell outlasts the days, draw by draw.

        Parameters
        ----------
        days : array_like, shape (), (n,) or (n, D)

        Returns
        -------
        ndarray, shape (n, D)
        """
        return np.exp(self.log_survival(days))

    def conditional_survival(self, days: npt.ArrayLike, age: npt.ArrayLike) -> FloatArray:
        """Return the chance that a unit now good at `age` is still good at `days`, averaged over draws.

        Draw by draw S(days) / S(age); the draws must already rest on the unit's having reached that age, as
        they do where it is among the lives fitted.

        Parameters
        ----------
        days : array_like, shape (), (n,) or (n, m)
            Ages, counted from the fitting; below `age` the chance is 1.
        age : array_like, shape () or (n,)

        Returns
        -------
        ndarray, shape (n,), or (n, m)
        """
        units = self.location.shape[0]
        later = np.asarray(days, dtype=np.float64)
        table = later if later.ndim == 2 else np.broadcast_to(later, (units,))[:, None]
        now = np.broadcast_to(np.asarray(age, dtype=np.float64), (units,))
        reached = self.log_survival(now)
        columns = [
            np.exp(self.log_survival(np.maximum(column, now)) - reached).mean(axis=1) for column in table.T
        ]
        chance = np.column_stack(columns) if columns else np.empty((units, 0))
        return chance if later.ndim == 2 else chance[:, 0]

    def quantile(self, p: float) -> FloatArray:
        """Return the days by which a share p of the lives has ended, draw by draw, shape (n, D).

        Raises
        ------
        LifeError
            If p is not between 0 and 1.
        """
        if not 0 < p < 1:
            raise LifeError(f"quantile: p = {p:g} found; accepted: above 0 and below 1")
        z = np.empty(self.scale.size)
        for family, columns in self.families():
            z[columns] = family.quantile(np.array(p))
        return np.exp(self.location + self.scale * z)

    def median(self) -> FloatArray:
        """Return the median life in days, draw by draw, shape (n, D)."""
        return self.quantile(0.5)

    def relative_life(self, level: float = 0.90) -> pl.DataFrame:
        """Return each unit's life against that at sites like it, exp(u): relative_life (median), low, high.

        Parameters
        ----------
        level : float
            Of the interval, between 0 and 1.
        """
        return self._summary(np.exp(self.site_effect), level, "relative_life")

    def worst_chance(self, share: float = 0.1) -> FloatArray:
        """Return the chance that each unit is among the `share` that last worst against their like, (n,).

        Units are ranked by exp(u) within each draw, so that what is unknown of one unit and of the others
        counts together; those level at the edge share what is left. The chances add up to share n.

        Raises
        ------
        LifeError
            If the share is not between 0 and 1.
        """
        if not 0 < share < 1:
            raise LifeError(f"worst_chance: share {share:g} found; accepted: above 0 and below 1")
        units = self.site_effect.shape[0]
        if units == 0:
            return np.zeros(0)
        places = share * units
        edge = np.sort(self.site_effect, axis=0)[int(np.ceil(places)) - 1]
        below, level = self.site_effect < edge, self.site_effect == edge
        left = (places - below.sum(axis=0)) / level.sum(axis=0)
        return np.asarray((below + left * level).mean(axis=1), dtype=np.float64)

    def median_life(self, level: float = 0.90) -> pl.DataFrame:
        """Return each unit's own median life: median_days (median over draws), low_days, high_days."""
        table = self._summary(self.median(), level, "median_days")
        return table.rename({"low": "low_days", "high": "high_days"})

    def _summary(self, values: FloatArray, level: float, name: str) -> pl.DataFrame:
        if not 0 < level < 1:
            raise LifeError(f"{name}: level {level:g} found; accepted: above 0 and below 1")
        low, middle, high = np.quantile(values, [0.5 - level / 2, 0.5, 0.5 + level / 2], axis=1)
        return pl.DataFrame({name: middle, "low": low, "high": high})

    def log_survival(self, days: npt.ArrayLike) -> FloatArray:
        """Return log S, shape (n, D), from days for all, for each unit, or for each unit and draw."""
        log_days = _log_days(days)
        table = log_days[:, None] if log_days.ndim == 1 else log_days
        z = (np.broadcast_to(table, self.location.shape) - self.location) / self.scale
        log_sf = np.empty(z.shape)
        for family, columns in self.families():
            log_sf[:, columns] = family.log_sf(z[:, columns])
        return log_sf

    def families(self) -> Iterator[tuple[Family, slice]]:
        """Yield each family with its draws, which lie side by side."""
        names = np.array(self.family)
        for name in dict.fromkeys(self.family):
            places = np.flatnonzero(names == name)
            yield FAMILIES[name], slice(int(places[0]), int(places[-1]) + 1)


def _log_days(days: npt.ArrayLike) -> FloatArray:
    values = np.asarray(days, dtype=np.float64)
    if not np.all(values >= 0):
        raise LifeError("days: an age below 0 or missing found; accepted: ages of 0 days or more")
    with np.errstate(divide="ignore"):
        return np.log(values)
