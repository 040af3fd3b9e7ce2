"""How a filter's pressure drop grows with the share of its life that is spent: the blocking laws."""

from typing import Final

import numpy as np

from fleetstats.quantities import FloatArray
from fleetstats.sample.wear import CARBON, SEDIMENT, SEDIMENT_2

SPENT_DROP_KPA: Final = 100.0  # the household notices about here (common trade practice)
_HIGHEST_DROP_KPA: Final = 190.0  # past this hardly anything flows

# share of intermediate blocking in the mixture, sediment cartridge and carbon block
_INTERMEDIATE: Final = {"sediment": 0.45, "carbon": 0.25}


def drop_ratio(
    share: FloatArray, ratio_when_spent: float | FloatArray, intermediate: float | FloatArray
) -> FloatArray:
    """Return pressure drop over clean drop when `share` of the life is spent; same shape as `share`.

    A mixture of intermediate blocking, exp(K s), and complete blocking, 1 / (1 - K s), each with the K that
    reaches `ratio_when_spent` at s = 1.

    References
    ----------
    Hermia, J. (1982), Trans. Inst. Chem. Eng. 60, 183: constant-flow forms of dR/dV = k R^n, n = 1 and 2.
    """
    slow = np.log(ratio_when_spent)
    sudden = 1 - 1 / np.asarray(ratio_when_spent, dtype=float)
    room = np.maximum(1 - sudden * share, 0.02)
    grown: FloatArray = intermediate * np.exp(slow * share) + (1 - intermediate) / room
    return grown


def stage_drops(
    share: FloatArray, clean_sediment_kpa: FloatArray, clean_carbon_kpa: FloatArray, flow: FloatArray
) -> FloatArray:
    """Return the drop across each cartridge housing, array (3, n) in kPa.

    Parameters
    ----------
    share : array (3, n) or more rows
        Share of life spent of the first, second sediment cartridge and the carbon; NaN where there is none.
    clean_sediment_kpa, clean_carbon_kpa : array (n,)
        Drop when clean at the usual flow.
    flow : array (n,)
        Flow during the reading over the usual flow; the drop of a blocked medium goes with it.
    """
    clean = np.stack([clean_sediment_kpa, clean_sediment_kpa, clean_carbon_kpa])
    mixture = np.array([_INTERMEDIATE["sediment"]] * 2 + [_INTERMEDIATE["carbon"]])[:, None]
    used = np.clip(share[[SEDIMENT, SEDIMENT_2, CARBON]], 0, 1.6)
    drops: FloatArray = clean * drop_ratio(used, SPENT_DROP_KPA / clean, mixture) * flow
    return np.minimum(drops, _HIGHEST_DROP_KPA)


def total_drop(drops: FloatArray) -> FloatArray:
    """Return the drop over all stages, array (n,) in kPa; two sediment cartridges in parallel drop as one."""
    carbon = drops[CARBON]
    total: FloatArray = np.fmin(drops[SEDIMENT], drops[SEDIMENT_2]) + np.where(np.isnan(carbon), 0.0, carbon)
    return total
