"""Small drawings: what they count, where they draw, what they say instead."""

from __future__ import annotations

import math
import re
from datetime import date

from fleetstats.report import sketches
from fleetstats.report.sketches import Bar, Curves, Lane, Lifetime, Need
from fleetstats.report.sketches.drawing import Frame, round_step
from fleetstats.report.sketches.pressure import Expected

WEEK = 7.0


def test_numbers_beneath_a_curve_add_up_to_the_units_that_came_into_view() -> None:
    # five units by hand: spent at 10 and 30 weeks, taken out good at 20, in place at 5, entered at 12 weeks
    lives = [
        Lifetime(0.0, 10 * WEEK, 10 * WEEK),
        Lifetime(0.0, 30 * WEEK, 30 * WEEK),
        Lifetime(0.0, 20 * WEEK, math.inf),
        Lifetime(0.0, 5 * WEEK, math.inf),
        Lifetime(12 * WEEK, 40 * WEEK, math.inf),
    ]
    counts = sketches.counts_at(lives, [0, 13, 26, 52])
    assert counts.watched == (4, 3, 2, 0)
    assert counts.spent == (0, 1, 1, 2)
    assert counts.left == (0, 1, 2, 3)


def test_a_unit_spent_between_two_looks_is_watched_until_it_was_known_spent() -> None:
    counts = sketches.counts_at([Lifetime(0.0, 10 * WEEK, 26 * WEEK)], [13, 26])
    assert counts.watched == (1, 0)
    assert counts.spent == (0, 1)


def test_a_path_goes_through_its_points_and_leaves_out_those_on_a_straight_line() -> None:
    frame = Frame(0, 100, 0, 100, 0.0, 10.0)
    assert frame.line([(0.0, 1.0), (5.0, 1.0), (10.0, 1.0), (10.0, 0.0)]) == "M0 0l100 0 0 100"
    x = y = 0
    for across, down in re.findall(
        r"(-?\d+)[ ]?(-?\d+)", frame.line([(0, 1.0), (3, 0.7), (7, 0.6), (9, 0.9)])[4:]
    ):
        x, y = x + int(across), y + int(down)
    assert (x, y) == (90, 10)


def test_a_life_curve_says_in_words_what_it_shows() -> None:
    days = [28.0 * step for step in range(27)]
    curve = sketches.life_curve(
        "c",
        name="Sediment cartridge",
        gone="spent",
        interval_days=91.0,
        curves=Curves(days, [0.5 ** (d / 140.0) for d in days], like=[0.5 ** (d / 280.0) for d in days]),
        lives=[Lifetime(0.0, 100.0, 100.0)],
    )
    assert curve is not None
    assert "half are spent by 20 weeks at this site, by 40 weeks at sites like it" in curve.told
    assert "the interval is 13 weeks" in curve.told
    assert {"this site", "sites like it", "interval", "watched", "spent", "left"} <= {
        label.text for label in curve.labels
    }
    assert "band" not in {stroke.style for stroke in curve.strokes}


def test_a_life_curve_stops_where_hardly_one_would_still_work() -> None:
    days = [28.0 * step for step in range(27)]
    curve = sketches.life_curve(
        "c",
        name="n",
        gone="spent",
        interval_days=None,
        lives=[],
        curves=Curves(days, [max(0.0, 1.0 - d / 280.0) for d in days]),
    )
    assert curve is not None
    # 280 days = 40 weeks: the axis ends at 52 weeks, not at 104
    assert {"0", "13", "26", "39", "52"} <= {label.text for label in curve.labels}
    assert "104" not in {label.text for label in curve.labels}


def test_no_curve_no_readings_no_visits_no_drawing() -> None:
    assert (
        sketches.life_curve("c", name="n", gone="g", curves=Curves((), ()), interval_days=None, lives=[])
        is None
    )
    assert sketches.readings("r", series={"a": []}, limit_kpa=100.0) is None
    assert sketches.history("h", visits=[], lanes=[], until=date(2026, 1, 1)) is None
    assert sketches.need_by_month("n", name="p", need=Need((), (), (), (), ())) is None


def test_history_counts_visits_and_units_in_words_and_escapes_names() -> None:
    bars = (Bar(date(2024, 1, 1), date(2024, 6, 1), True), Bar(date(2024, 6, 1), date(2025, 1, 1), False))
    sketch = sketches.history(
        "h",
        visits=[(date(2024, 1, 1), False), (date(2024, 6, 1), True)],
        until=date(2025, 1, 1),
        lanes=[Lane("<b>lamp</b>", bars)],
    )
    assert sketch is not None
    assert "2 visits from 1 Jan 2024 to 1 Jan 2025, 1 call-out" in sketch.told
    assert "2 units, 1 found at the end of life" in sketch.told
    assert "<b>" not in sketch.markup
    assert "&lt;b&gt;lamp" in sketch.markup


def test_every_dotted_line_of_a_history_says_what_changed_and_when() -> None:
    visits = [(date(2024, 1, 1), False)]
    changes = [(date(2024, 3, 1), "drought"), (date(2024, 9, 1), "tank changed")]
    sketch = sketches.history("h", visits=visits, until=date(2025, 1, 1), lanes=[], changes=changes)
    assert sketch is not None
    told = [label.text for label in sketch.labels if label.text.startswith("Dotted line")]
    assert told == ["Dotted line: drought, 1 Mar 2024", "Dotted line: tank changed, 1 Sep 2024"]
    assert all(label.y < sketch.height for label in sketch.labels)


def test_readings_mark_the_change_limit_and_say_the_last_reading() -> None:
    sketch = sketches.readings(
        "r",
        series={"Sediment cartridge": [(date(2025, 1, 1), 20.0), (date(2025, 6, 1), 95.0)]},
        limit_kpa=100.0,
    )
    assert sketch is not None
    assert "2 readings, the last 95 kPa on 1 Jun 2025" in sketch.told
    assert "change at 100 kPa" in {label.text for label in sketch.labels}


def test_readings_show_the_course_expected_of_the_unit_read_last() -> None:
    expected = Expected(
        "Sediment cartridge", date(2025, 5, 1), (0.0, 50.0, 100.0), (15.0, 40.0, 100.0), (15.0, 30.0, 60.0),
        (15.0, 60.0, 120.0), date(2025, 8, 9), 100.0,
    )  # fmt: skip
    series = {"All filters together": [(date(2025, 1, 1), 20.0), (date(2025, 6, 1), 45.0)]}
    sketch = sketches.readings("r", series=series, limit_kpa=None, expected=expected)
    assert sketch is not None
    assert {"band", "like", "mark"} <= {stroke.style for stroke in sketch.strokes}
    assert "expected to reach its limit of 100 kPa on 9 Aug 2025" in sketch.told
    assert "went in on 1 May 2025 at about 15 kPa" in sketch.told
    plain = sketches.readings("r", series=series, limit_kpa=None)
    assert plain is not None
    assert "expected" not in plain.told


def test_need_names_what_suffices_most_often() -> None:
    months = (date(2026, 12, 1), date(2027, 1, 1))
    sketch = sketches.need_by_month(
        "n", name="SED-A", need=Need(months, (3.0, 4.0), (3.0, 4.0), (5.0, 6.0), (7.0, 8.0))
    )
    assert sketch is not None
    assert (
        sketch.told
        == "SED-A: 7 expected over 2 months. In the first month 7.0 would be enough 95 times in 100."
    )
    assert {"50 %", "80 %", "95 %"} <= {label.text for label in sketch.labels}


def test_scales_step_by_one_two_or_five() -> None:
    assert [round_step(top) for top in (4.0, 11.0, 60.0, 110.0)] == [1.0, 5.0, 20.0, 50.0]


def test_a_path_of_one_place_is_still_a_path() -> None:
    assert Frame(0, 10, 0, 10, 0.0, 1.0).line([(0.5, 0.5), (0.5, 0.5)]) == "M5 5l0 0"


def test_no_line_joins_the_readings_of_two_cartridges() -> None:
    days = [date(2025, month, 1) for month in (1, 3, 5, 7)]
    series = {"Sediment cartridge": list(zip(days, (15.0, 60.0, 20.0, 40.0), strict=True))}
    whole = sketches.readings("r", series=series, limit_kpa=100.0)
    # read before the work of that day, the second reading is of the old cartridge
    parted = sketches.readings("r", series=series, limit_kpa=100.0, renewed={"Sediment cartridge": [days[1]]})
    other = sketches.readings("r", series=series, limit_kpa=100.0, renewed={"Carbon cartridge": [days[1]]})
    assert whole is not None
    assert parted is not None
    assert other == whole

    def lines(strokes: tuple[sketches.drawing.Stroke, ...]) -> list[str]:
        return [stroke.path for stroke in strokes if stroke.style == "series0"]

    assert len(lines(parted.strokes)) == len(lines(whole.strokes)) + 1
    # no label lies on another: the limit is named above its line, at the left
    limit = next(label for label in parted.labels if label.text.startswith("change at"))
    assert (limit.anchor, limit.y > 14) == ("start", True)
