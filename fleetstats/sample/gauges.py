"""What the gauges, meters and test kits say at the visits of one day, and how often they are read."""

import numpy as np

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample import logbook as words
from fleetstats.sample.district import Service
from fleetstats.sample.pressure import stage_drops, total_drop
from fleetstats.sample.service import Arrivals
from fleetstats.sample.stories import Story
from fleetstats.sample.wear import LAMP, SLEEVE, Steady

_USUAL_FLOW_LPM = 20.0


def pressures(
    arrivals: Arrivals,
    service: Service,
    *,
    before: FloatArray,
    after: FloatArray,
    story: Story,
    rng: np.random.Generator,
) -> tuple[dict[str, FloatArray | BoolArray], FloatArray]:
    """Return the pressure readings (columns of `visits`; NaN unread) and the housing drops, array (3, m).

    Parameters
    ----------
    before, after : array (5, m)
        Share of life spent before and after the work; NaN where there is no unit.
    """
    site, m = arrivals.site, len(arrivals.site)
    flow = np.exp(0.12 * rng.standard_normal(m))
    clean = service.clean_sediment_kpa[site], service.clean_carbon_kpa[site]
    late = (rng.random(m) < 0.04) | (arrivals.reason == words.COMMISSION)
    drops = stage_drops(np.where(late, after, before), *clean, flow)
    inlet = service.pump_kpa[site] + 10 * rng.standard_normal(m)
    outlet = np.clip(inlet - total_drop(drops) + 3 * rng.standard_normal(m), 0, inlet)
    read = service.gauges[site] & (rng.random(m) >= story.unread_share)
    metered = service.flow_meter[site] & (rng.random(m) >= story.unread_share)
    housing = service.housing_gauges[site] & (rng.random((3, m)) >= story.unread_share) & ~late
    seen = np.round(np.maximum(drops + 2 * rng.standard_normal((3, m)), 1))
    columns: dict[str, FloatArray | BoolArray] = {
        "inlet_pressure_kpa": np.where(read, np.round(inlet), np.nan),
        "outlet_pressure_kpa": np.where(read, np.round(outlet), np.nan),
        "after_work": late & read,
        "flow_lpm": np.where(metered, np.round(_USUAL_FLOW_LPM * flow, 1), np.nan),
    }
    return columns, np.where(housing, seen, np.nan)


def readings(
    arrivals: Arrivals,
    service: Service,
    water: Steady,
    *,
    share: FloatArray,
    lamp_age: IntArray,
    litres: FloatArray,
    story: Story,
    rng: np.random.Generator,
) -> dict[str, FloatArray | BoolArray]:
    """Return meters, test kits and controllers, columns of `visits` (m,); NaN unread."""
    site, m = arrivals.site, len(arrivals.site)
    chance = rng.random((6, m))
    noise = rng.standard_normal((4, m))
    has_lamp = ~np.isnan(share[LAMP])
    hardness = np.round(water.hardness_mg_l[site] * np.exp(0.08 * noise[0]))
    turbidity = np.round(0.25 * water.solids_mg_l[site] * np.exp(0.3 * noise[1]), 2)
    uvt = np.round(np.clip(98 - 90 * water.organics_mg_l[site] * np.exp(0.15 * noise[2]), 40, 99), 1)
    dimmed = 100 - 30 * np.nan_to_num(share[LAMP]) - 35 * np.nan_to_num(share[SLEEVE])
    intensity = np.clip(np.round(dimmed + 2 * noise[3]), 2, 100)
    left = np.maximum(365 - lamp_age, 0)
    often = 1 - story.unread_share
    shown = {
        "meter_m3": (service.metered[site] & (chance[0] < often), np.round(litres / 1000, 1)),
        "hardness_mg_l": (chance[1] < 0.25, hardness),
        "turbidity_ntu": (chance[2] < 0.1, turbidity),
        "uvt_percent": ((chance[3] < 0.08) & has_lamp, uvt),
        "lamp_days_left": (service.controller[site] & has_lamp & (chance[4] < often), left),
        "uv_intensity_percent": (service.sensor[site] & has_lamp & (chance[5] < often), intensity),
    }
    return {name: np.where(read, value, np.nan) for name, (read, value) in shown.items()}
