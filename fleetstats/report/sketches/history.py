"""The line of visits at a site and of every unit in place there."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from fleetstats.report import words
from fleetstats.report.sketches.drawing import Frame, Label, Sketch, Stroke, year_labels


class Bar(NamedTuple):
    """One unit in place: from, to, and whether it was found at the end of its life."""

    begins: date
    ends: date
    spent: bool


@dataclass(frozen=True, slots=True)
class Lane:
    """One component's units in order of time."""

    name: str
    bars: tuple[Bar, ...]


def history(
    sketch_id: str, *, visits: Sequence[tuple[date, bool]], lanes: Sequence[Lane], until: date,
    changes: Sequence[tuple[date, str]] = (),
) -> Sketch | None:  # fmt: skip
    """Return the line of visits and of every unit in place at a site.

    Parameters
    ----------
    visits : sequence of (date, is a call-out)
    lanes : sequence of Lane
    until : date
        The as-of day, where the line ends.
    changes : sequence of (date, what changed)
        Changes at the site, dotted lines across; what each is stands beneath.
    """
    if not visits:
        return None
    begin = min([when for when, _ in visits] + [bar.begins for lane in lanes for bar in lane.bars])
    bottom = 40 + 38 * len(lanes)
    frame = Frame(6, 394, 0, bottom, float(begin.toordinal()), float(max(until, begin).toordinal()))

    per_day = 388.0 / max(until.toordinal() - begin.toordinal(), 1)

    def x(when: date) -> int:
        return 6 + round(per_day * (when.toordinal() - begin.toordinal()))

    planned = "".join(f"M{x(when)} 28h0" for when, callout in visits if not callout)
    called = "".join(f"M{x(when)} 20v16" for when, callout in visits if callout)
    labels = [Label(0, 13, f"Visits {words.DASH} dots planned, tall strokes call-outs")]
    strokes = [Stroke("M6 28H394", "rule"), Stroke(planned, "dots"), Stroke(called, "spent")]
    for row, lane in enumerate(lanes):
        y = 40 + 38 * row
        labels.append(Label(0, y + 14, lane.name))
        bars = [(x(bar.begins), max(x(bar.ends) - 2, x(bar.begins) + 1), bar.spent) for bar in lane.bars]
        strokes.append(Stroke("".join(f"M{a} {y + 26}H{b}" for a, b, _ in bars), "bar"))
        strokes.append(Stroke("".join(f"M{b} {y + 19}v14" for _, b, spent in bars if spent), "spent"))
    strokes.append(Stroke("".join(f"M{x(when)} 18V{bottom}" for when, _ in changes), "mark"))
    labels += year_labels(frame, begin, until, bottom + 18)
    dotted = [f"{what}, {words.day(when)}" for when, what in changes]
    labels += [Label(0, bottom + 36 + 16 * row, f"Dotted line: {text}") for row, text in enumerate(dotted)]
    told = (
        f"{words.counted(len(visits), 'visit')} from {words.day(begin)} to {words.day(until)}, "
        f"{words.counted(sum(1 for _, callout in visits if callout), 'call-out')}; "
        + "; ".join([*(f"{lane.name}: {_lane_told(lane)}" for lane in lanes), *dotted])
    )
    used = tuple(stroke for stroke in strokes if stroke.path)
    height = bottom + 24 + 16 * len(dotted)
    return Sketch(sketch_id, height, "Visits and units in place", told, used, tuple(labels))


def _lane_told(lane: Lane) -> str:
    spent = sum(1 for bar in lane.bars if bar.spent)
    return f"{words.counted(len(lane.bars), 'unit')}, {spent} found at the end of life"
