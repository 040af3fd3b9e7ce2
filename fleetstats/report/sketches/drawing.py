"""What a small drawing is made of: strokes, labels, and the scales that place them.

A sketch is 400 units wide with 14-unit text, so that its labels stay legible on a phone. Templates only
write out what stands here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import NamedTuple

from fleetstats.report import words

WIDTH = 400
Point = tuple[float, float]


class Label(NamedTuple):
    """A text at a place; `anchor` is start, middle or end; `style` a class of the style sheet."""

    x: int
    y: int
    text: str
    anchor: str = "start"
    style: str = ""


class Stroke(NamedTuple):
    """A path and the class that draws it."""

    path: str
    style: str


@dataclass(frozen=True, slots=True)
class Sketch:
    """A drawing: its height in units, name, text alternative, paths and labels."""

    sketch_id: str
    height: int
    title: str
    told: str
    strokes: tuple[Stroke, ...] = ()
    labels: tuple[Label, ...] = ()


@dataclass(frozen=True, slots=True)
class Frame:
    """A plot area in units and the scales that lead into it."""

    left: float
    right: float
    top: float
    bottom: float
    x_low: float
    x_high: float
    y_low: float = 0.0
    y_high: float = 1.0

    def at(self, x: float, y: float) -> tuple[int, int]:
        """Return the place of a value, in whole units."""
        across = (x - self.x_low) / (self.x_high - self.x_low) if self.x_high > self.x_low else 0.5
        up = (y - self.y_low) / (self.y_high - self.y_low) if self.y_high > self.y_low else 0.5
        return (
            round(self.left + across * (self.right - self.left)),
            round(self.bottom - up * (self.bottom - self.top)),
        )

    def line(self, points: Sequence[Point]) -> str:
        """Return the path through points, in steps from one to the next: the shortest way to write it."""
        places = [self.at(*point) for point in points]
        steps = " ".join(f"{b[0] - a[0]} {b[1] - a[1]}" for a, b in pairwise(places))
        return f"M{places[0][0]} {places[0][1]}l{steps}".replace(" -", "-") if places else ""

    def band(self, low: Sequence[Point], high: Sequence[Point]) -> str:
        """Return the closed path between two lines."""
        return self.line([*high, *reversed(low)]) + "z"

    def dots(self, points: Sequence[Point]) -> str:
        """Return a path of no length at each point; a round, wide stroke makes dots of it."""
        return "".join(f"M{x} {y}h0" for x, y in (self.at(*point) for point in points))


def year_labels(frame: Frame, begin: date, until: date, y: int) -> list[Label]:
    """Return the years along the foot of a time line; its two ends where no year begins within it."""
    years = range(begin.year + 1, until.year + 1)
    step = max(1, math.ceil(len(years) / 7))
    labels = [
        Label(frame.at(float(date(year, 1, 1).toordinal()), 0)[0], y, str(year), "middle")
        for year in years[::step]
    ]
    inside = [label for label in labels if 16 <= label.x <= 384]
    return inside or [Label(6, y, words.day(begin)), Label(394, y, words.day(until), "end")]


def round_step(top: float) -> float:
    """Return the step of a scale up to `top`: 1, 2 or 5 times a power of ten, four or five steps in all."""
    rough = top / 4.0
    size = 10.0 ** math.floor(math.log10(rough))
    return next(size * factor for factor in (1, 2, 5, 10) if size * factor >= rough)
