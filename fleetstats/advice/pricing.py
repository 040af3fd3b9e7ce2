"""Rates of renewal and of being spent at every site, averaged over the draws of what is unknown there.

A rate is a table looked up at each draw's (sigma, location) and averaged. Averaging commutes with the look-
up, so the draws of a site are first spread over the table's nodes, once, and all candidate plans of all
sites are then one matrix product. Nothing here averages a survival curve and prices the average: that would
take what persists at a site through all its renewals for chance that evens out.
"""

from dataclasses import dataclass

import numpy as np

from fleetstats.advice.rates import RHO_RANGE, RHO_STEP, SIGMAS, RateTable, rate_table
from fleetstats.advice.visit_rule import OVERRUNS
from fleetstats.life.draws import LifeDraws
from fleetstats.life.families import family_called
from fleetstats.quantities import FloatArray, IntArray

#: Lives between three days and a thousand years are told apart.
_ROWS_AT_ONCE = 1000
_LOCATION_RANGE = (np.log(3.0), np.log(3.65e5))


@dataclass(frozen=True, slots=True)
class _FamilyNodes:
    """Where the draws of one family lie among the nodes, and that family's table."""

    name: str
    draws: IntArray  # (F,) which draws
    locations: FloatArray  # (L,) evenly spaced
    table: RateTable
    sigma_at: FloatArray  # (F,) fractional index among the table's sigmas


class Pricer:
    """Rates of one component under any visit interval and n, for all its units.

    Parameters
    ----------
    lives : LifeDraws
        Draws for n units.
    announced : bool
    most_visits : int
        Largest n that will be asked for.
    shortest_days, longest_days : float
        Range of visit intervals that will be asked for.
    most_draws : int
        Draws used; more are thinned evenly.
    """

    def __init__(
        self,
        lives: LifeDraws,
        *,
        announced: bool,
        most_visits: int,
        shortest_days: float,
        longest_days: float,
        most_draws: int = 200,
    ) -> None:
        draws = len(lives.scale)
        kept = np.unique(np.linspace(0, draws - 1, min(draws, most_draws)).round().astype(np.int64))
        self._location = np.clip(np.asarray(lives.location, dtype=np.float64)[:, kept], *_LOCATION_RANGE)
        self._scale = np.clip(np.asarray(lives.scale, dtype=np.float64)[kept], SIGMAS[0], SIGMAS[-1])
        names = np.array(lives.family)[kept]
        visit_range = (float(np.log(shortest_days)), float(np.log(longest_days)))
        self._families = [
            self._nodes(str(name), np.flatnonzero(names == name), announced, most_visits, visit_range)
            for name in sorted(set(names))
        ]

    @property
    def draws(self) -> int:
        """Number of draws in use."""
        return len(self._scale)

    def _nodes(
        self, name: str, draws: IntArray, announced: bool, most_visits: int, visit_range: tuple[float, float]
    ) -> _FamilyNodes:
        location, scale = self._location[:, draws], self._scale[draws]
        first = np.floor(location.min() / RHO_STEP) * RHO_STEP if location.size else _LOCATION_RANGE[0]
        last = location.max() if location.size else first
        locations = first + RHO_STEP * np.arange(int(np.ceil((last - first) / RHO_STEP)) + 2)
        low = int(np.clip(np.searchsorted(SIGMAS, scale.min(), "right") - 1, 0, len(SIGMAS) - 2))
        high = int(np.clip(np.searchsorted(SIGMAS, scale.max()), low + 1, len(SIGMAS) - 1))
        sigmas = SIGMAS[low : high + 1]
        bounds = np.clip((visit_range[0] - locations[-1], visit_range[1] - locations[0]), *RHO_RANGE)
        rhos = bounds[0] + RHO_STEP * np.arange(int(np.ceil((bounds[1] - bounds[0]) / RHO_STEP)) + 2)
        table = rate_table(name, announced=announced, most_visits=most_visits, rhos=rhos, sigmas=sigmas)
        sigma_at = np.interp(np.log(scale), np.log(sigmas), np.arange(len(sigmas), dtype=np.float64))
        return _FamilyNodes(name, draws, locations, table, sigma_at)

    def spread(self, rows: IntArray) -> FloatArray:
        """Return the share of each unit's draws at each node, (rows, nodes); rows sum to 1."""
        parts = []
        for nodes in self._families:
            size = len(nodes.table.sigmas) * len(nodes.locations)
            place = (self._location[np.ix_(rows, nodes.draws)] - nodes.locations[0]) / RHO_STEP
            at, beyond = _split(place, len(nodes.locations))
            sigma, above = _split(nodes.sigma_at, len(nodes.table.sigmas))
            start = np.arange(len(rows))[:, None] * size + sigma * len(nodes.locations) + at
            share = np.zeros(len(rows) * size)
            for up, sigma_share in ((0, 1 - above), (1, above)):
                for on, share_on in ((0, 1 - beyond), (1, beyond)):
                    index = start + up * len(nodes.locations) + on
                    share += np.bincount(index.ravel(), (sigma_share * share_on).ravel(), len(share))
            parts.append(share.reshape(len(rows), size) / self.draws)
        return np.concatenate(parts, axis=1)

    def mean_spread(self, rows: IntArray) -> FloatArray:
        """Return the share at each node of all these units' draws together, (nodes,)."""
        total = sum(
            self.spread(rows[at : at + _ROWS_AT_ONCE]).sum(axis=0)
            for at in range(0, len(rows), _ROWS_AT_ONCE)
        )
        return np.asarray(total / len(rows))

    def node_rates(self, visit_days: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return spent and renewed per visit interval at each node, each (nodes, overruns, n, intervals)."""
        from scipy.interpolate import CubicSpline

        spent: list[FloatArray] = []
        renewed: list[FloatArray] = []
        for nodes in self._families:
            table = nodes.table
            rho = np.log(visit_days) - nodes.locations[:, None]
            rho = np.clip(rho, table.rhos[0], table.rhos[-1])
            for values, into in ((table.spent, spent), (table.renewed, renewed)):
                at = np.maximum(CubicSpline(table.rhos, values, axis=-1)(rho), 0.0)
                into.append(np.moveaxis(at, (2, 3), (0, 1)).reshape(-1, *at.shape[:2], len(visit_days)))
        return np.concatenate(spent), np.concatenate(renewed)

    def node_spent_by(self, days: FloatArray) -> FloatArray:
        """Return the chance that a fresh unit is spent by each of `days` (m,) at each node, (nodes, m)."""
        parts = []
        for nodes in self._families:
            z = (np.log(days) - nodes.locations[:, None]) / nodes.table.sigmas[:, None, None]
            parts.append(-np.expm1(family_called(nodes.name).log_sf(z)).reshape(-1, len(days)))
        return np.concatenate(parts)

    def spent_by_draws(self, rows: IntArray, days: FloatArray) -> FloatArray:
        """Return the chance that a fresh unit is spent by its own `days` (rows,), for each draw (rows, D)."""
        out = np.empty((len(rows), self.draws))
        for nodes in self._families:
            location = self._location[np.ix_(rows, nodes.draws)]
            z = (np.log(days)[:, None] - location) / self._scale[nodes.draws]
            out[:, nodes.draws] = -np.expm1(family_called(nodes.name).log_sf(z))
        return out

    def draw_rates(
        self, rows: IntArray, visit_days: FloatArray, every_n: IntArray, overrun: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return spent and renewed per visit interval of one plan for each unit and draw, each (rows, D).

        Parameters
        ----------
        rows : array (rows,)
        visit_days : array (rows,)
        every_n : array (rows,)
            At most `most_visits`.
        overrun : array (rows,)
            How far past the n-th visit a unit from a call-out may run, in visit intervals, 0 to 0.5.
        """
        shape = (len(rows), self.draws)
        spent, renewed = np.empty(shape), np.empty(shape)
        over, past = _split(np.interp(overrun, OVERRUNS, np.arange(len(OVERRUNS))), len(OVERRUNS))
        for nodes in self._families:
            table = nodes.table
            rho = np.log(visit_days)[:, None] - self._location[np.ix_(rows, nodes.draws)]
            at, beyond = _split((rho - table.rhos[0]) / RHO_STEP, len(table.rhos))
            sigma, above = _split(nodes.sigma_at, len(table.sigmas))
            corners = [
                (i, j, k, wi[:, None] * wj * wk)
                for i, wi in ((over, 1 - past), (over + 1, past))
                for j, wj in ((sigma, 1 - above), (sigma + 1, above))
                for k, wk in ((at, 1 - beyond), (at + 1, beyond))
            ]
            n = every_n[:, None] - 1
            for values, into in ((table.spent, spent), (table.renewed, renewed)):
                into[:, nodes.draws] = sum(w * values[i[:, None], n, j, k] for i, j, k, w in corners)
        return spent, renewed


def _split(place: FloatArray, size: int) -> tuple[IntArray, FloatArray]:
    """Return the node below each fractional place and how far it lies towards the next, held to the grid."""
    below = np.clip(np.floor(place).astype(np.int64), 0, size - 2)
    return below, np.clip(place - below, 0.0, 1.0)
