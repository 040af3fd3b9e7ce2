"""The passing part of what a home's roof sheds: the weeks' rain, and a slow wandering over a year or two."""

from typing import Final

import numpy as np

from fleetstats.quantities import FloatArray
from fleetstats.sample.stories import Story

_RAIN_DAYS: Final = 10.0
_WALK_DAYS: Final = 500.0


class Weather:
    """Log factors on solids at n homes, moved on step by step; both parts keep their spread for ever.

    Parameters
    ----------
    n : int
        Homes, or homes times repeats.
    step_days : float
        Days a step.
    """

    def __init__(self, n: int, story: Story, rng: np.random.Generator, *, step_days: float = 1.0) -> None:
        self._rng = rng
        self._rain_keeps = float(np.exp(-step_days / _RAIN_DAYS))
        self._walk_keeps = float(np.exp(-step_days / _WALK_DAYS))
        self._rain_moves = story.weather_spread * float(np.sqrt(1 - self._rain_keeps**2))
        self._walk_moves = story.walk_spread * float(np.sqrt(1 - self._walk_keeps**2))
        self._rain = story.weather_spread * rng.standard_normal(n)
        self._walk = story.walk_spread * rng.standard_normal(n)

    def step(self) -> FloatArray:
        """Return the log factor of the next step, array (n,)."""
        n = len(self._rain)
        self._rain = self._rain_keeps * self._rain + self._rain_moves * self._rng.standard_normal(n)
        self._walk = self._walk_keeps * self._walk + self._walk_moves * self._rng.standard_normal(n)
        return self._rain + self._walk
