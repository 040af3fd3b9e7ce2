"""Overview figures as data: stop where few remain, colours by name, numbers as lists."""

from __future__ import annotations

import json
from itertools import pairwise

import polars as pl

from fleetstats.report import figures


def curves(level: str = "concrete", at_risk: int = 40) -> pl.DataFrame:
    weeks = list(range(11))
    return pl.DataFrame(
        {
            "level": [level] * 11,
            "days": [7.0 * w for w in weeks],
            "at_risk": [float(max(0, at_risk - 5 * w)) for w in weeks],
            "survival": [1.0 - 0.06 * w for w in weeks],
            "low": [max(0.0, 0.9 - 0.06 * w) for w in weeks],
            "high": [min(1.0, 1.1 - 0.06 * w) for w in weeks],
        }
    )


def test_a_curve_stops_where_fewer_than_five_are_watched() -> None:
    figure = figures.life_curves("f", "t", curves())
    assert figure is not None
    lines = [trace for trace in json.loads(figure.data)["data"] if "name" in trace]
    # 40, 35, ... 5: eight weeks still have five units in view
    assert lines[0]["x"] == [float(week) for week in range(8)]
    assert figure.told == "concrete: more than half still work at 7 weeks."


def test_four_largest_levels_are_drawn_each_with_its_own_colour_and_dash() -> None:
    frame = pl.concat([curves(name, 40 + place) for place, name in enumerate("abcdef")])
    figure = figures.life_curves("f", "t", frame)
    assert figure is not None
    lines = [trace for trace in json.loads(figure.data)["data"] if "name" in trace]
    assert [line["name"] for line in lines] == ["c", "d", "e", "f"]
    assert (
        len({line["line"]["color"] for line in lines}) == len({line["line"]["dash"] for line in lines}) == 4
    )
    assert all(line["line"]["color"].startswith("@") for line in lines)


def test_names_beside_lines_are_set_apart() -> None:
    frame = pl.concat([curves(name) for name in "abc"])
    figure = figures.life_curves("f", "t", frame)
    assert figure is not None
    heights = sorted(note["y"] for note in json.loads(figure.data)["layout"]["annotations"])
    assert min(b - a for a, b in pairwise(heights)) > 0.07


def test_a_silly_level_is_text_to_the_drawing_library_and_harmless_in_the_page() -> None:
    figure = figures.life_curves("f", "t", curves("<b>x</b>"))
    assert figure is not None
    assert "<" not in figure.data
    assert json.loads(figure.data)["layout"]["annotations"][0]["text"] == "&lt;b&gt;x&lt;/b&gt;"


def test_visit_intervals_are_counted_by_week() -> None:
    plans = pl.DataFrame(
        {
            "visit_interval_days": [91.0, 91.0, 182.0, None],
            "visit_interval_days_current": [182.0] * 4,
        }
    )
    figure = figures.visit_intervals("f", "t", plans)
    assert figure is not None
    planned = json.loads(figure.data)["data"][0]
    assert (planned["x"], planned["y"]) == ([13, 26], [2, 1])
    assert "commonest is 13 weeks, at 2 sites" in figure.told


def test_nothing_to_draw_is_no_figure() -> None:
    assert figures.life_curves("f", "t", curves(at_risk=3)) is None
    empty = pl.DataFrame(
        schema={"visit_interval_days": pl.Float64, "visit_interval_days_current": pl.Float64}
    )
    assert figures.visit_intervals("f", "t", empty) is None
