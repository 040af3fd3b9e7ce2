"""What a small drawing is made of: strokes, labels, and the scales that place them.

A sketch is 400 units wide with 14-unit text, so that its labels stay legible on a phone. Texts
are escaped where the drawing is written out.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from html import escape
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

    @property
    def markup(self) -> str:
        """The strokes and labels as SVG elements, every text escaped.

        Written here and not in a template: a site's page holds hundreds of them, and there may be ten
        thousand sites.
        """
        drawn = [f'<path class="{stroke.style}" d="{stroke.path}"/>' for stroke in self.strokes]
        groups: dict[tuple[str, str], list[str]] = {}
        for label in self.labels:
            text = f'<text x="{label.x}" y="{label.y}">{escape(label.text)}</text>'
            groups.setdefault((label.anchor, label.style), []).append(text)
        for (anchor, style), texts in groups.items():
            drawn.append(f'<g class="{style or "plain"}" text-anchor="{anchor}">{"".join(texts)}</g>')
        return "".join(drawn)


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
        return self.places([(x, y)])[0]

    def places(self, points: Iterable[Point]) -> list[tuple[int, int]]:
        """Return the places of values, in whole units; a scale without length puts all at its start."""
        across, x_start = self._scale(self.x_low, self.x_high, self.left, self.right)
        up, y_start = self._scale(self.y_low, self.y_high, self.bottom, self.top)
        return [(round(x_start + x * across), round(y_start + y * up)) for x, y in points]

    def heights(self, values: Iterable[float]) -> list[int]:
        """Return the places of values on the upright scale alone."""
        up, start = self._scale(self.y_low, self.y_high, self.bottom, self.top)
        return [round(start + value * up) for value in values]

    @staticmethod
    def _scale(low: float, high: float, begin: float, end: float) -> tuple[float, float]:
        step = (end - begin) / (high - low) if high > low else 0.0
        return step, begin - low * step

    def line(self, points: Iterable[Point]) -> str:
        """Return the path through points."""
        return path(self.places(points))

    def band(self, low: Sequence[Point], high: Sequence[Point]) -> str:
        """Return the closed path between two lines."""
        return self.line([*high, *reversed(low)]) + "z"

    def dots(self, points: Iterable[Point]) -> str:
        """Return a path of no length at each point; a round, wide stroke makes dots of it."""
        return "".join(f"M{x} {y}h0" for x, y in self.places(points))


def path(places: Sequence[tuple[int, int]]) -> str:
    """Return the path through places, in steps from one to the next: the shortest way to write it.

    A place on the straight way between its neighbours is left out.
    """
    if not places:
        return ""
    steps: list[tuple[int, int]] = []
    across = down = 0
    for (x, y), (next_x, next_y) in pairwise(places):
        dx, dy = next_x - x, next_y - y
        if across * dy == down * dx and across * dx >= 0 and down * dy >= 0:
            across, down = across + dx, down + dy
        else:
            steps.append((across, down))
            across, down = dx, dy
    steps.append((across, down))
    told = " ".join([f"{dx} {dy}" for dx, dy in steps if dx or dy]).replace(" -", "-")
    return f"M{places[0][0]} {places[0][1]}l{told or '0 0'}"


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
