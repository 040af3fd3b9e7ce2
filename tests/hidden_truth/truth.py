"""How the invented homes really are: what the policy simulator prices plans against, and their true lives."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample.fleet import InventedFleet
from fleetstats.sample.stories import Story
from fleetstats.sample.wear import (
    CARBON,
    FINES_PASS,
    SEDIMENT,
    SEDIMENT_2,
    SEDIMENT_PASSES,
    Homes,
    day_of_year,
    litres_a_day,
    nominal_capacity,
    steady,
    strength,
    wear_a_day,
)
from fleetstats.sample.weather import Weather

STEP_DAYS = 7
_DRAWS = 64  # strengths drawn per unit; the next one is the first again


@dataclass(frozen=True, slots=True)
class Truth:
    """The invented fleet as it stands on `day` (days since 1970-01-01).

    Attributes
    ----------
    site_id : array (n,) of str
    homes : Homes
        All facts, the unwritten ones too.
    served : array (n,) of bool
        Homes that are still customers.
    notice_days : array (n,)
        How long low pressure is borne before the call, on average.
    """

    site_id: NDArray[np.object_]
    homes: Homes
    story: Story
    day: int
    served: BoolArray
    notice_days: FloatArray

    def at(self, sites: IntArray) -> "Truth":
        """Return the truth of some of the homes, by index."""
        return Truth(
            self.site_id[sites],
            take(self.homes, sites),
            self.story,
            self.day,
            self.served[sites],
            self.notice_days[sites],
        )


def truth_of(fleet: InventedFleet) -> Truth:
    """Return how the homes of an invented fleet really are at the end of its records."""
    return Truth(
        site_id=fleet.tables["sites"]["site_id"].to_numpy(),
        homes=fleet.homes,
        story=fleet.story,
        day=fleet.last_day,
        served=fleet.service.leaves > fleet.last_day,
        notice_days=fleet.service.notice_days,
    )


def take(homes: Homes, rows: IntArray) -> Homes:
    """Return a copy holding the homes at `rows`, in that order (a home may be repeated)."""
    return Homes(**{f.name: getattr(homes, f.name)[..., rows].copy() for f in fields(homes)})


@dataclass(frozen=True, slots=True)
class Paths:
    """Wear to come, drawn once so that every policy meets the same weather and the same units.

    Attributes
    ----------
    per_step : array (steps, 5, rows)
        Share of a nominal unit's life spent in each step; a row is a home and a repeat, repeats together.
    fines : array (steps, rows)
        Share of a nominal carbon cartridge's life that a step costs on top while the sediment cartridge
        ahead of it is spent.
    strengths : array (draws, 5, rows)
        What the units fitted one after another can take, as shares of nominal.
    step_days : int
    """

    per_step: NDArray[np.float32]
    fines: NDArray[np.float32]
    strengths: NDArray[np.float32]
    step_days: int


def draw_paths(truth: Truth, *, years: float, runs: int, seed: int, step_days: int = STEP_DAYS) -> Paths:
    """Return wear paths of every home, `runs` repeats each; the homes stay as they stand (tanks do not age).

    Repeats start at different times of the year, evenly spread.
    """
    n = len(truth.homes)
    rng = np.random.default_rng([seed, n])
    rows = np.repeat(np.arange(n), runs)
    homes = take(truth.homes, rows)
    homes.passing[:], homes.in_use[:] = 0.0, 1.0  # what passes is not how a home stands
    water = steady(homes, truth.day, truth.story)
    steps = round(years * 365.25 / step_days)
    starts = truth.day + np.tile(np.arange(runs) * 365.25 / runs, n)
    weather = Weather(len(rows), truth.story, rng, step_days=step_days)
    passes = SEDIMENT_PASSES[homes.part[SEDIMENT]]
    nominal = np.stack([nominal_capacity(k, homes.part[k], truth.story) for k in range(5)])
    per_step, fines = np.empty((steps, 5, len(rows)), np.float32), np.empty((steps, len(rows)), np.float32)
    of_solids = (
        (FINES_PASS - 1) * passes * np.where(homes.has[SEDIMENT_2], 2, 1) * step_days / nominal[CARBON]
    )
    for step in range(steps):
        of_year = day_of_year(starts + (step + 0.5) * step_days)
        litres = litres_a_day(water, homes, of_year)
        wear = wear_a_day(water, homes, of_year, weather.step(), litres, passes)
        per_step[step], fines[step] = wear * step_days / nominal, wear[SEDIMENT] * of_solids
    unit = np.arange(5)[None, :, None]
    shape = (_DRAWS, 5, len(rows))
    fresh = strength(np.broadcast_to(unit, shape), rng.random(shape), rng.random(shape), truth.story)
    return Paths(per_step, fines, fresh.astype(np.float32), step_days)


def true_lives(truth: Truth, *, years: float = 20.0, runs: int = 4, seed: int = 0) -> list[list[FloatArray]]:
    """Return the days that units really last when each is run to its end, one after another.

    A carbon cartridge is taken to stand behind sediment cartridges that are never left in spent.

    Returns
    -------
    list over homes of lists over the five units of arrays in days; empty where there is no such unit
    """
    paths = draw_paths(truth, years=years, runs=runs, seed=seed)
    lives: list[list[list[float]]] = [[[] for _ in range(5)] for _ in truth.site_id]
    shape = paths.per_step.shape[1:]
    spent, age, count = np.zeros(shape), np.zeros(shape), np.zeros(shape, np.int64)
    unit, row = np.indices(shape)
    for step in paths.per_step:
        can = paths.strengths[count % _DRAWS, unit, row]
        spent += step
        age += paths.step_days
        over = spent >= can
        rest = np.where(over, (spent - can) / step, 0.0) * paths.step_days
        for k, r in zip(*np.nonzero(over), strict=True):
            if truth.homes.has[k, r // runs]:
                lives[r // runs][k].append(float(age[k, r] - rest[k, r]))
        spent, age = np.where(over, rest * step / paths.step_days, spent), np.where(over, rest, age)
        count += over
    return [[np.array(unit_lives) for unit_lives in home] for home in lives]
