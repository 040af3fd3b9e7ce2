"""What a small drawing is made of: strokes, labels, and the scales that place them.

A sketch is 400 units wide with 14-unit text, so that its labels stay legible on a phone. Texts
are escaped where the drawing is written out.
"""

from __future__ import annotations

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
        x_span, y_span = self.x_high - self.x_low, self.y_high - self.y_low
        across = (self.right - self.left) / x_span if x_span > 0 else 0.0
        up = (self.bottom - self.top) / y_span if y_span > 0 else 0.0
        x_start, y_start = self.left - self.x_low * across, self.bottom + self.y_low * up
        return [(round(x_start + x * across), round(y_start - y * up)) for x, y in points]

    def line(self, points: Iterable[Point]) -> str:
        """Return the path through points, in steps from one to the next: the shortest way to write it."""
        places = self.places(points)
        steps: list[tuple[int, int]] = []
        for (x, y), (next_x, next_y) in pairwise(places):
            across, down = next_x - x, next_y - y
            if steps and steps[-1][0] * down == steps[-1][1] * across and steps[-1][0] * across >= 0:
                across, down = across + steps[-1][0], down + steps[-1][1]
                steps.pop()
            steps.append((across, down))
        told = " ".join(f"{across} {down}" for across, down in steps).replace(" -", "-")
        return f"M{places[0][0]} {places[0][1]}l{told}" if places else ""

    def band(self, low: Sequence[Point], high: Sequence[Point]) -> str:
        """Return the closed path between two lines."""
        return self.line([*high, *reversed(low)]) + "z"

    def dots(self, points: Iterable[Point]) -> str:
        """Return a path of no length at each point; a round, wide stroke makes dots of it."""
        return "".join(f"M{x} {y}h0" for x, y in self.places(points))


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
