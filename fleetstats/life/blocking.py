"""How a filter's pressure drop grows as its life is spent, and how likely a gauge's reading is."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fleetstats.quantities import Z90, FloatArray

#: Index of each blocking law in dR/dV = k R^n (flow held constant).
LAWS: Final[dict[str, float]] = {"cake": 0.0, "intermediate": 1.0, "standard": 1.5, "complete": 2.0}
#: Past its end a cartridge lets hardly anything through: its drop stays under this many times the limit.
_MOST: Final = 2.0
#: A gauge that goes wild shows anything between 0.5 and 3,000 kPa, each order of size alike.
_WILD_DENSITY: Final = 1 / float(np.log(3000 / 0.5))
_LEAST_KPA: Final = 1.0
_ROOT_2PI: Final = float(1 / np.sqrt(2 * np.pi))


def growth(share: npt.ArrayLike, ended_at: npt.ArrayLike, index: float) -> FloatArray:
    """Return pressure drop over clean drop when a share of the life is spent.

    Parameters
    ----------
    share : array_like
        Of life; 1 = spent.
    ended_at : array_like
        The ratio at the end of life, above 1.
    index : float
        n of the law: 2 complete 1/(1 - Ks), 1.5 standard (1 - Ks/2)^-2, 1 intermediate exp(Ks), 0 cake
        1 + Ks, and what lies between; K is such that the ratio at share 1 is `ended_at`.

    Returns
    -------
    ndarray
        At most twice `ended_at`, which is where a pump gives up.

    References
    ----------
    Hermia, J. (1982), Trans. Inst. Chem. Eng. 60:183. At constant flow the drop R obeys dR/dV = k R^n, so
    R^(1-n) grows evenly with the share.
    """
    spent, end = np.asarray(share, dtype=np.float64), np.asarray(ended_at, dtype=np.float64)
    power = 1.0 - index
    most = _MOST * end
    if abs(power) < 1e-6:
        return np.minimum(np.exp(np.minimum(np.log(end) * spent, 700.0)), most)
    inner = 1.0 + spent * (end**power - 1.0)
    # where the drop has no bound the inner term reaches 0
    least = most**power if power < 0 else 0.0
    return np.minimum(np.exp(np.log(np.maximum(inner, least)) / power), most)


def share_spent(ratio: npt.ArrayLike, ended_at: npt.ArrayLike, index: float) -> FloatArray:
    """Return the share of life spent at which the drop is `ratio` times the clean one: `growth` undone."""
    shown, end = np.asarray(ratio, dtype=np.float64), np.asarray(ended_at, dtype=np.float64)
    power = 1.0 - index
    if abs(power) < 1e-6:
        return np.log(shown) / np.log(end)
    return (shown**power - 1.0) / (end**power - 1.0)


@dataclass(frozen=True, slots=True)
class Blocking:
    """How one component blocks, and how its gauges are read.

    Attributes
    ----------
    limit_kpa : float
        Drop at the end of life.
    index : float
        Of the blocking law, 0 to 2.
    clean_kpa : float
        Drop when clean, at the usual flow.
    spread : float
        Standard deviation of log drop about the law where the flow was read: homes and cartridges differ.
    flow_spread : float
        What an unread flow adds to it.
    gauge_kpa : float
        Standard deviation of what the gauge itself adds.
    wild_share : float
        Share of readings that say nothing.
    """

    limit_kpa: float
    index: float = 1.5
    clean_kpa: float = 15.0
    spread: float = 0.2
    flow_spread: float = 0.0
    gauge_kpa: float = 3.0
    wild_share: float = 0.03

    @property
    def law(self) -> str:
        """Return the name of the nearest of the four laws."""
        return min(LAWS, key=lambda name: abs(LAWS[name] - self.index))

    def drop(self, share: npt.ArrayLike) -> FloatArray:
        """Return the expected drop in kPa, at the usual flow, when a share of the life is spent."""
        return self.clean_kpa * growth(share, self.limit_kpa / self.clean_kpa, self.index)

    def share(self, drop_kpa: npt.ArrayLike) -> FloatArray:
        """Return the share of life spent at which the drop expected at the usual flow is this; 0 if clean."""
        ratio = np.maximum(np.asarray(drop_kpa, dtype=np.float64) / self.clean_kpa, 1.0)
        return share_spent(ratio, self.limit_kpa / self.clean_kpa, self.index)

    @property
    def clean_most_kpa(self) -> float:
        """Return what a clean unit reads at most, 19 times in 20, at a flow that was not read."""
        return self.read_most(self.clean_kpa)

    def read_most(self, expected_kpa: float) -> float:
        """Return what is read at most, 19 times in 20, where a drop is expected and no flow was read."""
        scale = float(self.scale(np.array([expected_kpa]), False)[0])
        return expected_kpa * float(np.exp(Z90 * scale))

    def scale(self, expected_kpa: FloatArray, flow_read: npt.ArrayLike) -> FloatArray:
        """Return the standard deviation of log drop about an expected drop."""
        variance = self.spread**2 + np.where(flow_read, 0.0, self.flow_spread**2)
        return np.sqrt(variance + (self.gauge_kpa / np.maximum(expected_kpa, _LEAST_KPA)) ** 2)

    def density(self, drop_kpa: FloatArray, expected_kpa: FloatArray, flow_read: npt.ArrayLike) -> FloatArray:
        """Return the density of the log of readings about expected drops, wild ones allowed for.

        Arrays are taken together as numpy takes them. However wild a reading, its say is bounded: the broad
        part bears it whatever the life.
        """
        scale = self.scale(expected_kpa, flow_read)
        off = np.log(np.maximum(drop_kpa, _LEAST_KPA)) - np.log(np.maximum(expected_kpa, _LEAST_KPA))
        usual = np.exp(-0.5 * (off / scale) ** 2) / scale
        return (1 - self.wild_share) * _ROOT_2PI * usual + self.wild_share * _WILD_DENSITY

    @property
    def wild_density(self) -> float:
        """Return the density of the log of a reading that says nothing."""
        return _WILD_DENSITY
