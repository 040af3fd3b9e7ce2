"""Prices and chances drawn at random, in place of those worked out from lives."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from fleetstats.advice.prices import YearlyDraws
from fleetstats.advice.terms import MOST_VISITS


class AnyPrices:
    """Asked like `ComponentPrices`; a subclass may make the costs of its own kind."""

    draws = 2

    def __init__(self, weeks: np.ndarray, rng: np.random.Generator, within: float | None = None) -> None:
        self.weeks, self.rng, self.within = weeks, rng, within

    def yearly(self, rows: np.ndarray, **_: Any) -> np.ndarray:
        return self.rng.exponential(300, (len(rows), len(self.weeks), MOST_VISITS))

    def yearly_draws(self, rows: np.ndarray, **_: Any) -> YearlyDraws:
        return YearlyDraws(*self.rng.exponential(300, (2, len(rows), self.draws)))

    today_draws = yearly_draws

    def spent_by(self, rows: np.ndarray, days: np.ndarray) -> np.ndarray:
        return self.rng.random((len(rows), self.draws))

    def longest_within_chance(self, rows: np.ndarray) -> np.ndarray:
        if self.within is not None:
            return np.full(len(rows), self.within)
        return self.rng.choice([0.0, 7.0, 84.0, math.inf], len(rows))
