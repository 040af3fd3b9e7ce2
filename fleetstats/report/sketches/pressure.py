"""The pressure drops read at a site over time, and the course expected of the unit that was read last."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple

from fleetstats.report import words
from fleetstats.report.sketches.drawing import Frame, Label, Sketch, Stroke, round_step, year_labels


class Expected(NamedTuple):
    """The course of one unit's drop from its fitting to its expected end, with the 90 % range of its life."""

    name: str
    fitted_on: date
    days: Sequence[float]
    kpa: Sequence[float]
    low_kpa: Sequence[float]
    high_kpa: Sequence[float]
    ends_on: date
    limit_kpa: float | None


#: An end expected later than so many days after the last reading is not drawn to, only told.
_AHEAD_DAYS = 730.0


def readings(
    sketch_id: str,
    *,
    series: Mapping[str, Sequence[tuple[date, float]]],
    limit_kpa: float | None,
    expected: Expected | None = None,
    renewed: Mapping[str, Sequence[date]] | None = None,
) -> Sketch | None:
    """Return the pressure drops read at a site over time, one line a cartridge, with the change limit.

    Parameters
    ----------
    series : mapping
        Name of the housing -> (date, drop in kPa) in order of time; three at most are drawn.
    limit_kpa : float or None
        Drop at which a cartridge is changed.
    expected : Expected or None
        Drawn as a band and a line up to where it meets the limit.
    renewed : mapping or None
        Name of the housing -> days on which another cartridge went in: no line leads past one.
    """
    kept = [(name, list(points)) for name, points in series.items() if points][:3]
    if not kept:
        return None
    everything = [point for _, points in kept for point in points]
    first, last = min(p[0] for p in everything), max(p[0] for p in everything)
    limit_kpa = limit_kpa or (expected.limit_kpa if expected else None)
    course = _course(expected, float(last.toordinal()))
    right = max(float(last.toordinal()), course[-1][0] if course else 0.0)
    # room above the limit for its label
    top = max([1.1 * drop for _, drop in everything] + ([1.25 * limit_kpa] if limit_kpa else [])) or 1.0
    frame = Frame(40, 392, 14, 130, float(first.toordinal()), right, 0.0, top)
    strokes, labels = _axes(frame, top, limit_kpa)
    if expected and course:
        strokes = _expected(frame, course, top) + strokes
    for row, (name, points) in enumerate(kept):
        line = [(float(when.toordinal()), drop) for when, drop in points]
        for part in _unbroken(points, (renewed or {}).get(name, ())):
            strokes.append(Stroke(frame.line(part), f"series{row}"))
        strokes.append(Stroke(frame.dots(line), f"series{row} dots"))
        strokes.append(Stroke(f"M40 {170 + 18 * row}h24", f"series{row}"))
        labels.append(Label(70, 175 + 18 * row, f"{name}, kPa"))
    height = 162 + 18 * len(kept)
    if expected and course:
        strokes.append(Stroke(f"M40 {height + 8}h24", "like"))
        labels.append(Label(70, height + 13, f"{expected.name}, expected (band: range)"))
        height += 18
    labels += year_labels(frame, first, date.fromordinal(int(right)), 148)
    told = _told(kept, expected if course else None, limit_kpa)
    return Sketch(sketch_id, height, "Pressure drop by date", told, tuple(strokes), tuple(labels))


def _axes(frame: Frame, top: float, limit_kpa: float | None) -> tuple[list[Stroke], list[Label]]:
    step = round_step(top)
    values = [step * number for number in range(int(top / step) + 1)]
    strokes = [Stroke("M40 14V130H392" + "".join(f"M36 {frame.at(0, v)[1]}h4" for v in values), "axis")]
    labels = [Label(34, frame.at(0, v)[1] + 5, f"{v:g}", "end") for v in values]
    if limit_kpa:
        y = frame.at(0, limit_kpa)[1]
        strokes.append(Stroke(f"M40 {y}H392", "mark"))
        labels.append(Label(46, y - 4 if y > 26 else y + 15, f"change at {limit_kpa:g} kPa"))
    return strokes, labels


def _unbroken(
    points: Sequence[tuple[date, float]], renewed: Sequence[date]
) -> list[list[tuple[float, float]]]:
    """Return the points as lines of one cartridge each; on the day of a change the old one is read."""
    parts: dict[int, list[tuple[float, float]]] = {}
    for when, drop in points:
        before = sum(day < when for day in renewed)
        parts.setdefault(before, []).append((float(when.toordinal()), drop))
    return [part for part in parts.values() if len(part) > 1]


def _course(expected: Expected | None, last: float) -> list[tuple[float, float, float, float]]:
    """Return (day, drop, low, high) of the expected course, up to a while after the last reading."""
    if expected is None:
        return []
    begin = float(expected.fitted_on.toordinal())
    places = zip(expected.days, expected.kpa, expected.low_kpa, expected.high_kpa, strict=True)
    kept = [(begin + days, *rest) for days, *rest in places if begin + days <= last + _AHEAD_DAYS]
    return [(day, drop, low, high) for day, drop, low, high in kept] if len(kept) > 1 else []


def _expected(frame: Frame, course: Sequence[tuple[float, float, float, float]], top: float) -> list[Stroke]:
    inside = [place for place in course if place[0] >= frame.x_low]
    low = [(day, min(value, top)) for day, _, value, _ in inside]
    high = [(day, min(value, top)) for day, _, _, value in inside]
    line = [(day, min(value, top)) for day, value, _, _ in inside]
    return [Stroke(frame.band(low, high), "band"), Stroke(frame.line(line), "like")]


def _told(
    kept: Sequence[tuple[str, Sequence[tuple[date, float]]]],
    expected: Expected | None,
    limit_kpa: float | None,
) -> str:
    told = "; ".join(
        f"{name}: {words.counted(len(points), 'reading')}, the last {points[-1][1]:.0f} kPa on "
        f"{words.day(points[-1][0])}"
        for name, points in kept
    )
    if expected is None:
        return f"{told}."
    end = f"its limit of {limit_kpa:g} kPa" if limit_kpa else "its end"
    return (
        f"{told}. The {expected.name.lower()} read last went in on {words.day(expected.fitted_on)} at about "
        f"{expected.kpa[0]:.0f} kPa and is expected to reach {end} on {words.day(expected.ends_on)}."
    )
