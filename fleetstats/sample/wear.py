"""The physics: what wears each unit of a home per day, and how much each unit can take."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample.stories import Story

SEDIMENT, SEDIMENT_2, CARBON, LAMP, SLEEVE = range(5)
COMPONENTS = ("sediment_cartridge", "sediment_cartridge", "carbon_cartridge", "uv_lamp", "quartz_sleeve")
ANNOUNCED: Final = np.array([True, True, True, True, False])

TANKS: Final = ("concrete", "poly", "steel", "fibreglass", "timber")
ROOFS: Final = ("metal", "asphalt_shingle", "concrete_tile", "clay_tile", "slate", "timber", "membrane")
TREES: Final = ("none", "some", "heavy")

# All multipliers below are invented: no source gives any by roof, tree or tank.
_ROOF_SOLIDS: Final = np.array([0.85, 1.35, 1.2, 1.1, 0.9, 1.45, 1.0])
_ROOF_ORGANICS: Final = np.array([0.8, 1.5, 0.9, 1.0, 0.8, 1.6, 1.2])
_ROOF_HARDNESS: Final = np.array([0.0, 0.0, 10.0, 2.0, 0.0, 0.0, 0.0])
_TREE_SOLIDS: Final = np.array([0.72, 1.0, 1.6])
_TREE_ORGANICS: Final = np.array([0.7, 1.0, 1.6])
_TANK_SOLIDS: Final = np.array([0.95, 1.0, 1.15, 0.95, 1.3])

SEDIMENT_GRAMS: Final = np.array([330.0, 250.0, 180.0])  # what a cartridge of each part holds
SEDIMENT_PASSES: Final = np.array([0.12, 0.08, 0.05])  # share of the solids that goes on to the carbon
FINES_PASS: Final = 4.0  # a spent sediment cartridge left in lets this much more through
CARBON_GRAMS: Final = np.array([92.0, 74.0])
LAMP_HOURS: Final = np.array([10_300.0, 9_900.0])
_NOMINAL: Final = (SEDIMENT_GRAMS, SEDIMENT_GRAMS, CARBON_GRAMS, LAMP_HOURS, np.ones(1))

# lowest, most likely and highest strength of a sound unit, as a share of its nominal capacity
_STRENGTH: Final = np.array(
    [[0.7, 1.0, 1.3], [0.7, 1.0, 1.3], [0.65, 1.0, 1.35], [0.86, 1.03, 1.2], [0.65, 0.95, 1.4]]
)
_WEAKEST: Final = np.array(
    [0.3, 0.3, 0.3, 0.02, 0.5]
)  # a unit weak from the start lies between this and sound

_DAYS: Final = np.arange(367)


def _hump(centre: float, width: float) -> FloatArray:
    """Return a bell around one day of the year, 1 at its top."""
    away = np.abs(_DAYS - centre)
    hump: FloatArray = np.exp(-0.5 * (np.minimum(away, 365 - away) / width) ** 2)
    return hump


_LEAF_FALL, _POLLEN = _hump(300, 24), _hump(125, 18)
SOLIDS_SEASON: Final = 0.85 + np.outer([0.1, 0.6, 1.4], _LEAF_FALL) + np.outer([0.2, 0.4, 0.7], _POLLEN)
_AT_HOME = (_DAYS >= 120) & (_DAYS <= 275)
USE_SEASON: Final = (1 + 0.18 * _hump(200, 45)) * np.vstack([np.ones(367), np.where(_AT_HOME, 1.0, 0.1)])
LAMP_HOURS_A_DAY: Final = np.vstack([np.full(367, 24.0), np.where(_AT_HOME, 24.0, 10.0)])


@dataclass(frozen=True, slots=True)
class Homes:
    """Facts of n homes that decide how their units wear, known and unknown; one array a fact.

    Attributes
    ----------
    tank, roof, trees, region : array (n,) of int
        Codes into `TANKS`, `ROOFS`, `TREES` and the district's regions.
    tank_day, cleaned_day : array (n,) of float
        Day (since 1970-01-01) the tank was built, and the day its sludge was last taken out.
    first_flush, seasonal : array (n,) of bool
    occupants, litres_each : array (n,)
        People, and litres a day each of them uses.
    gutters, scale, supply : array (n,)
        The home's own lasting log factor on solids, on scale and on lamp wear: nobody writes these down.
    passing : array (n,)
        Log factor on solids of what passes: drought, ash, gutters just cleaned.
    in_use : array (n,)
        Share of the usual water used: below 1 while the home stands empty.
    part : array (5, n) of int
        The part usually fitted, per unit.
    has : array (5, n) of bool
        Which units the home has.
    """

    tank: IntArray
    roof: IntArray
    trees: IntArray
    region: IntArray
    tank_day: FloatArray
    cleaned_day: FloatArray
    first_flush: BoolArray
    seasonal: BoolArray
    occupants: FloatArray
    litres_each: FloatArray
    gutters: FloatArray
    scale: FloatArray
    supply: FloatArray
    passing: FloatArray
    in_use: FloatArray
    part: IntArray
    has: BoolArray

    def __len__(self) -> int:
        return len(self.tank)


@dataclass(frozen=True, slots=True)
class Steady:
    """What a home's water does on an average day: arrays (n,), before season and weather."""

    solids_mg_l: FloatArray
    litres: FloatArray
    organics_mg_l: FloatArray
    hardness_mg_l: FloatArray
    scale_per_day: FloatArray
    lamp_factor: FloatArray


def steady(homes: Homes, day: float, story: Story) -> Steady:
    """Return the average day of each home as it stands on `day`.

    Solids grow with sludge until the tank is cleaned; a young concrete tank hardens the water, then tires.
    """
    sludge_years = np.maximum(day - homes.cleaned_day, 0) / 365.25
    tank_years = np.maximum(day - homes.tank_day, 0) / 365.25
    flush = np.where(homes.first_flush, 0.68, 1.0)
    known = _ROOF_SOLIDS[homes.roof] * _TREE_SOLIDS[homes.trees] * _TANK_SOLIDS[homes.tank] * flush
    rust = np.where(homes.tank == TANKS.index("steel"), 0.01 * tank_years, 0.0)
    own = np.exp(homes.gutters + homes.passing)
    solids = 1.75 * story.solids * known * (1 + 0.03 * np.minimum(sludge_years, 20) + rust) * own
    concrete = np.where(homes.tank == TANKS.index("concrete"), 12 + 100 * np.exp(-tank_years / 3.5), 0.0)
    hardness = story.hardness * (14 + _ROOF_HARDNESS[homes.roof] + concrete)
    return Steady(
        solids_mg_l=solids,
        litres=homes.occupants * homes.litres_each * homes.in_use,
        organics_mg_l=0.16 * _ROOF_ORGANICS[homes.roof] * _TREE_ORGANICS[homes.trees],
        hardness_mg_l=hardness,
        scale_per_day=(hardness / 40) ** 1.1 * np.exp(homes.scale) / 330,
        lamp_factor=np.exp(homes.supply),
    )


def day_of_year(day: float | FloatArray | IntArray) -> IntArray:
    """Return the day of the year, 0 to 365, of days counted from 1970-01-01."""
    return np.asarray(np.asarray(day) % 365.2425, dtype=np.int64)


def litres_a_day(water: Steady, homes: Homes, of_year: IntArray) -> FloatArray:
    """Return litres used that day, array (n,)."""
    used: FloatArray = water.litres * USE_SEASON[homes.seasonal.astype(np.int64), of_year]
    return used


def wear_a_day(
    water: Steady,
    homes: Homes,
    of_year: IntArray,
    weather: FloatArray,
    litres: FloatArray,
    passes: FloatArray,
) -> FloatArray:
    """Return what one day does to each unit, array (5, n): grams three times, lit hours, share of full scale.

    Parameters
    ----------
    weather : array (n,)
        Log factor on the day's solids.
    litres : array (n,)
        Water used that day.
    passes : array (n,)
        Share of the solids that the sediment stage lets through to the carbon.
    """
    solids = water.solids_mg_l * SOLIDS_SEASON[homes.trees, of_year] * np.exp(weather)
    grams = solids * litres / 1000
    each = np.where(homes.has[SEDIMENT_2], grams / 2, grams)  # two in parallel share the flow
    carbon = grams * passes + water.organics_mg_l * litres / 1000
    hours = LAMP_HOURS_A_DAY[homes.seasonal.astype(np.int64), of_year] * water.lamp_factor
    scale = np.broadcast_to(water.scale_per_day, grams.shape)
    return np.stack([each, each, carbon, hours, scale])


def strength(unit: int | IntArray, u: FloatArray, weak: FloatArray, story: Story) -> FloatArray:
    """Return how much new units can take as a share of nominal, from uniform draws.

    Sound units follow a triangular law; a few are weak from the start. Neither a Weibull nor a lognormal
    anywhere: a model that assumes one is never handed its own assumption.

    Parameters
    ----------
    unit : int or array of int
        Which of the five units, broadcast against `u`.
    u, weak : array
        Independent uniform draws: the place within the law, and whether the unit is weak.
    """
    low, mode, high = np.moveaxis(_STRENGTH[unit], -1, 0)
    split = (mode - low) / (high - low)
    rising = low + np.sqrt(u * (high - low) * (mode - low))
    falling = high - np.sqrt((1 - u) * (high - low) * (high - mode))
    poor = _WEAKEST[unit] + u * (low - _WEAKEST[unit])
    sound = np.where(u < split, rising, falling)
    can: FloatArray = np.where(weak < story.early_death_share, poor, sound)
    return can


def nominal_capacity(unit: int, part: IntArray, story: Story) -> FloatArray:
    """Return the nominal capacity of the parts at one unit, in that unit's measure of wear."""
    size = story.cartridge_size if unit in (SEDIMENT, SEDIMENT_2, CARBON) else 1.0
    capacity: FloatArray = _NOMINAL[unit][part] * size
    return capacity
