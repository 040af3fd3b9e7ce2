"""The pressure drops read at a site over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from fleetstats.report import words
from fleetstats.report.sketches.drawing import Frame, Label, Sketch, Stroke, round_step, year_labels


def readings(
    sketch_id: str, *, series: Mapping[str, Sequence[tuple[date, float]]], limit_kpa: float | None
) -> Sketch | None:
    """Return the pressure drops read at a site over time, one line a housing, with the change limit.

    Parameters
    ----------
    series : mapping
        Name of the housing -> (date, drop in kPa) in order of time; three at most are drawn.
    limit_kpa : float or None
        Drop at which a cartridge is changed.
    """
    kept = [(name, list(points)) for name, points in series.items() if points][:3]
    if not kept:
        return None
    everything = [point for _, points in kept for point in points]
    first, last = min(p[0] for p in everything), max(p[0] for p in everything)
    top = max([drop for _, drop in everything] + ([limit_kpa] if limit_kpa else [])) * 1.1 or 1.0
    frame = Frame(40, 392, 14, 130, float(first.toordinal()), float(last.toordinal()), 0.0, top)
    step = round_step(top)
    values = [step * number for number in range(int(top / step) + 1)]
    strokes = [Stroke("M40 14V130H392" + "".join(f"M36 {frame.at(0, v)[1]}h4" for v in values), "axis")]
    labels = [Label(34, frame.at(0, v)[1] + 5, f"{v:g}", "end") for v in values]
    if limit_kpa:
        y = frame.at(0, limit_kpa)[1]
        strokes.append(Stroke(f"M40 {y}H392", "mark"))
        labels.append(Label(392, y - 4 if y > 30 else y + 15, f"change at {limit_kpa:g} kPa", "end"))
    for row, (name, points) in enumerate(kept):
        line = [(float(when.toordinal()), drop) for when, drop in points]
        strokes.append(Stroke(frame.line(line), f"series{row}"))
        strokes.append(Stroke(frame.dots(line), f"series{row} dots"))
        strokes.append(Stroke(f"M40 {170 + 18 * row}h24", f"series{row}"))
        labels.append(Label(70, 175 + 18 * row, f"{name}, kPa"))
    labels += year_labels(frame, first, last, 148)
    told = "; ".join(
        f"{name}: {words.counted(len(points), 'reading')}, the last {points[-1][1]:.0f} kPa on "
        f"{words.day(points[-1][0])}"
        for name, points in kept
    )
    height = 162 + 18 * len(kept)
    return Sketch(sketch_id, height, "Pressure drop by date", told + ".", tuple(strokes), tuple(labels))
