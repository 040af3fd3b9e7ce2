"""A part's need by month: what is expected, and how far the levels reach that suffice more often."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from fleetstats.report import words
from fleetstats.report.sketches.drawing import Frame, Label, Point, Sketch, Stroke, round_step


@dataclass(frozen=True, slots=True)
class Need:
    """One part's need by month: what is expected, and the levels that suffice 50, 80, 95 times in 100."""

    months: tuple[date, ...]
    expected: tuple[float, ...]
    p50: tuple[float, ...]
    p80: tuple[float, ...]
    p95: tuple[float, ...]


def need_by_month(sketch_id: str, *, name: str, need: Need) -> Sketch | None:
    """Return a part's need by month: the expected number, and how far the 80 and 95 % levels reach."""
    if not need.months:
        return None
    top = max([*need.expected, *need.p50, *need.p80, *need.p95, 1.0]) * 1.08
    count = len(need.months)
    frame = Frame(40, 344, 14, 130, -0.5, count - 0.5, 0.0, top)
    step = max(1.0, round_step(top))
    values = [step * number for number in range(int(top / step) + 1)]
    strokes = [Stroke("M40 14V130H344" + "".join(f"M36 {frame.at(0, v)[1]}h4" for v in values), "axis")]
    labels = [Label(34, frame.at(0, v)[1] + 5, f"{v:g}", "end") for v in values]
    half = 0.5 if count == 1 else 0.0
    places = [i - half for i in range(count)] + ([0.5] if half else [])
    ends = []
    for level, low, style in (("95 %", need.p80, "wide"), ("80 %", need.p50, "band")):
        high = need.p95 if style == "wide" else need.p80
        if high:
            strokes.append(Stroke(frame.band(_steps(places, low), _steps(places, high)), style))
            ends.append((level, (places[-1], high[-1]), style))
    if need.p50:
        strokes.append(Stroke(frame.line(_steps(places, need.p50)), "here"))
        ends.append(("50 %", (places[-1], need.p50[-1]), "here"))
    strokes.append(Stroke(frame.dots(_steps(places[:count], need.expected)), "dots"))
    labels += [label._replace(style="") for label in _fan_ends(frame, ends)]
    every = max(1, math.ceil(count / 4))
    labels += [
        Label(frame.at(float(i), 0)[0], 148, words.month(need.months[i]), "middle")
        for i in range(0, count, every)
    ]
    told = f"{name}: {words.whole(sum(need.expected))} expected over {words.counted(count, 'month')}."
    if need.p95:
        told += f" In the first month {words.amount(need.p95[0])} would be enough 95 times in 100."
    return Sketch(sketch_id, 156, f"{name}: need by month", told, tuple(strokes), tuple(labels))


def _fan_ends(frame: Frame, ends: Sequence[tuple[str, Point, str]]) -> list[Label]:
    placed: list[Label] = []
    for text, point, _ in sorted(ends, key=lambda end: -end[1][1]):
        y = max(frame.at(*point)[1] + 5, placed[-1].y + 16 if placed else 0)
        placed.append(Label(350, y, text))
    return placed


def _steps(places: Sequence[float], values: Sequence[float]) -> list[Point]:
    padded = [*values, *[values[-1]] * (len(places) - len(values))]
    return list(zip(places, padded, strict=True))
