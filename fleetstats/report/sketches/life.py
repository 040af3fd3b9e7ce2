"""A site's life curve beside that of sites like it, with the numbers that stand behind it."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from fleetstats.report import words
from fleetstats.report.sketches.drawing import Frame, Label, Point, Sketch, Stroke, path


@dataclass(frozen=True, slots=True)
class Counts:
    """How many units stand behind a curve at each age (weeks): still watched, spent, left the record."""

    weeks: tuple[int, ...]
    watched: tuple[int, ...]
    spent: tuple[int, ...]
    left: tuple[int, ...]


class Lifetime(NamedTuple):
    """One spell as the counts need it: days at which it came into view, was known good, was known spent."""

    entry: float
    lower: float
    upper: float


def counts_at(lives: Sequence[Lifetime], ages: Sequence[int]) -> Counts:
    """Return how many units are watched, spent and gone from view at each age.

    Parameters
    ----------
    lives : sequence of Lifetime, days
    ages : sequence of int, weeks
    """
    entered = sorted(life.entry for life in lives)
    ended = sorted(life.upper for life in lives if math.isfinite(life.upper))
    gone_from_view = sorted(life.lower for life in lives if math.isinf(life.upper))
    days = [7.0 * age for age in ages]
    spent = [bisect_right(ended, day) for day in days]
    left = [bisect_right(gone_from_view, day) for day in days]
    watched = [
        bisect_right(entered, day) - out - gone for day, out, gone in zip(days, spent, left, strict=True)
    ]
    return Counts(tuple(ages), tuple(watched), tuple(spent), tuple(left))


_MOST_POINTS = 26


class Curves(NamedTuple):
    """A site's life curve on a grid of days: shares still working, its band, and sites like it."""

    days: Sequence[float]
    survival: Sequence[float]
    low: Sequence[float] = ()
    high: Sequence[float] = ()
    like: Sequence[float] = ()

    def up_to(self, last: float) -> Curves:
        """Return the curve up to a day, thinned to what a drawing 250 units wide can show."""
        count = sum(1 for day in self.days if day <= last)
        step = max(1, round(count / _MOST_POINTS))
        kept = [*range(0, count - 1, step), count - 1]
        return Curves(*([values[place] for place in kept] if values else () for values in self))


def life_curve(
    sketch_id: str,
    *,
    name: str,
    gone: str,
    curves: Curves,
    interval_days: float | None,
    lives: Sequence[Lifetime],
) -> Sketch | None:
    """Return a site's life curve beside that of sites like it, with band and numbers beneath.

    The curve stops where fewer than one in fifty would still work.

    Parameters
    ----------
    curves : Curves
        Low, high and like may be empty.
    interval_days : float or None
        Marked on the drawing.
    lives : sequence of Lifetime
        This site's spells, for the numbers.

    Returns
    -------
    Sketch, or None where there is no curve.
    """
    if len(curves.days) < 2 or len(curves.survival) != len(curves.days):
        return None
    pairs = zip(curves.days, curves.survival, strict=True)
    last = next((day for day, left in pairs if left < 0.02), curves.days[-1])
    horizon = 26 * max(1, math.ceil(last / 182.0))
    ticks = list(range(0, horizon + 1, 13 if horizon <= 52 else 26))
    frame = Frame(76, 314, 24, 150, 0.0, 7.0 * horizon)
    curves = curves.up_to(last)
    here = list(zip(curves.days, curves.survival, strict=True))
    like = list(zip(curves.days, curves.like, strict=False))
    places = [x for x, _ in frame.places((7.0 * tick, 0.0) for tick in ticks)]
    strokes, marks = _strokes(frame, places, curves), []
    if interval_days is not None and 0 < interval_days <= 7.0 * horizon:
        x = frame.at(interval_days, 0)[0]
        strokes.append(Stroke(f"M{x} 20V150", "mark"))
        marks.append(Label(x, 14, "interval", "middle"))
    ends = [("this site", here[-1], "here"), *([("sites like it", like[-1], "likely")] if like else [])]
    labels = [
        Label(68, 29, "all", "end"), Label(68, 92, "half", "end"), Label(68, 154, "none", "end"),
        *_line_ends(frame, ends), *_row(places, ticks, 170), Label(398, 170, "weeks", "end"),
        *_count_rows(places, counts_at(lives, ticks), 192, gone), *marks,
    ]  # fmt: skip
    told = _told(name, gone, here, like, interval_days)
    return Sketch(sketch_id, 232, f"{name}: share still working by age", told, tuple(strokes), tuple(labels))


def _strokes(frame: Frame, places: Sequence[int], curves: Curves) -> list[Stroke]:
    xs = [x for x, _ in frame.places((day, 0.0) for day in curves.days)]

    def along(values: Sequence[float]) -> list[tuple[int, int]]:
        return list(zip(xs, frame.heights(values), strict=True))

    strokes = [
        Stroke(f"M76 24V150H{frame.right:.0f}", "axis"),
        Stroke("".join(f"M{x} 150v4" for x in places) + "M72 87h4M72 24h4", "axis"),
    ]
    if curves.low and curves.high:
        strokes.append(Stroke(path([*along(curves.high), *reversed(along(curves.low))]) + "z", "band"))
    if curves.like:
        strokes.append(Stroke(path(along(curves.like)), "like"))
    strokes.append(Stroke(path(along(curves.survival)), "here"))
    return strokes


def _line_ends(frame: Frame, ends: Sequence[tuple[str, Point, str]]) -> list[Label]:
    placed: list[Label] = []
    for text, point, style in sorted(ends, key=lambda end: -end[1][1]):
        x, y = frame.at(*point)
        y = max(y + 5, placed[-1].y + 17 if placed else 0)
        placed.append(Label(x + 5 if x < 302 else 319, y, text, "start", style))
    spill = placed[-1].y - 156
    return [label._replace(y=label.y - spill) for label in placed] if spill > 0 else placed


def _row(places: Sequence[int], numbers: Sequence[int], y: int) -> list[Label]:
    return [Label(x, y, str(number), "middle") for x, number in zip(places, numbers, strict=True)]


def _count_rows(places: Sequence[int], counts: Counts, y: int, gone: str) -> list[Label]:
    rows = (("watched", counts.watched), (gone, counts.spent), ("left", counts.left))
    labels = []
    for row, (name, numbers) in enumerate(rows):
        labels += [Label(0, y + 18 * row, name, "start", "quiet"), *_row(places, numbers, y + 18 * row)]
    return labels


def _told(
    name: str, gone: str, here: Sequence[Point], like: Sequence[Point], interval_days: float | None
) -> str:
    half = next((day for day, left in here if left <= 0.5), None)
    half_like = next((day for day, left in like if left <= 0.5), None)
    told = [
        f"{name}: half are {gone} by {words.weeks(half)} at this site"
        if half is not None
        else f"{name}: more than half still work at {words.weeks(here[-1][0])} at this site"
    ]
    if half_like is not None:
        told.append(f"by {words.weeks(half_like)} at sites like it")
    if interval_days is not None:
        told.append(f"the interval is {words.weeks(interval_days)}")
    return ", ".join(told) + "."
