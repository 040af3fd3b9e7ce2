"""Overview figures as plain data for the drawing library; colours are names that the page's style resolves.

A colour is written "@name"; the page's script puts in the value of the style variable `--name`, so that a
figure follows light, dark and paper.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import polars as pl

from fleetstats.report import words
from fleetstats.report.tables import html_json

#: Curves stop where fewer units than this are still watched.
FEWEST_WATCHED = 5
MOST_LINES = 4
#: Pixels; the style sheet keeps the same room free.
HEIGHT = 340
_COLOURS = ("blue", "vermillion", "green", "purple")
_DASHES = ("solid", "dash", "dot", "dashdot")


#: Least distance of two names beside their lines, as a share of the axis.
_LABEL_APART = 0.08


class _End(NamedTuple):
    level: str
    x: float
    y: float
    colour: str


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure: where it is drawn, its name, text alternative and data as safe JSON."""

    figure_id: str
    title: str
    told: str
    data: str


def life_curves(figure_id: str, title: str, curves: pl.DataFrame) -> Figure | None:
    """Return the share still working by age, one line a level with its band.

    Parameters
    ----------
    figure_id : str
    title : str
    curves : polars frame
        Rows of one component and one grouping: level (in words), days, at_risk, survival, low, high.
        The levels with most units are drawn, four at most, each to where five are still watched.
    """
    sizes = curves.group_by("level").agg(pl.col("at_risk").max()).sort(["at_risk", "level"], descending=True)
    levels = sorted(sizes["level"].head(MOST_LINES).to_list())
    traces: list[dict[str, Any]] = []
    ends: list[_End] = []
    told: list[str] = []
    for index, level in enumerate(levels):
        rows = curves.filter((pl.col("level") == level) & (pl.col("at_risk") >= FEWEST_WATCHED)).sort("days")
        if rows.height < 2:
            continue
        x, y = _numbers(rows["days"] / 7.0, 1), _numbers(rows["survival"], 3)
        colour = _COLOURS[index]
        traces += _band(x, rows, colour)
        traces.append({
            "x": x, "y": y, "name": _plain_text(level), "mode": "lines",
            "hovertemplate": "%{y:.2f} at %{x:.0f} weeks",
            "line": {"shape": "hv", "color": f"@{colour}", "width": 2.5, "dash": _DASHES[index]},
        })  # fmt: skip
        ends.append(_End(level, x[-1], y[-1], colour))
        told.append(_curve_told(level, x, y))
    if not traces:
        return None
    layout = _layout("age, weeks", "share still working")
    layout["yaxis"] |= {"range": [0, 1.02], "tickvals": [0, 0.25, 0.5, 0.75, 1]}
    layout["xaxis"] |= {"rangemode": "tozero", "dtick": 26 if max(end.x for end in ends) > 60 else 13}
    layout["annotations"] = _end_labels(ends)
    return Figure(figure_id, title, "; ".join(told) + ".", _packed(traces, layout))


def visit_intervals(figure_id: str, title: str, plans: pl.DataFrame) -> Figure | None:
    """Return how many sites have each visit interval, planned beside today's, in weeks.

    Parameters
    ----------
    plans : polars frame
        visit_interval_days, visit_interval_days_current.
    """
    planned, today = _by_weeks(plans, "visit_interval_days"), _by_weeks(plans, "visit_interval_days_current")
    if not planned:
        return None
    traces = [
        _bars("planned", planned, {"color": "@blue"}),
        _bars("today", today, {"color": "@paper", "line": {"color": "@vermillion", "width": 2}}),
    ]
    layout = _layout("weeks between visits", "sites")
    layout |= {"barmode": "group", "bargap": 0.15, "showlegend": True}
    layout["legend"] = {"orientation": "h", "y": 1.12, "x": 0}
    most = max(planned, key=lambda week: planned[week])
    told = (
        f"Planned intervals run from {min(planned)} to {max(planned)} weeks; "
        f"the commonest is {most} weeks, at {words.counted(planned[most], 'site')}."
    )
    return Figure(figure_id, title, told, _packed(traces, layout))


def said_and_happened(figure_id: str, title: str, calibration: pl.DataFrame) -> Figure | None:
    """Return the chances said beforehand against what happened, with ranges; on the line is exact.

    Parameters
    ----------
    calibration : polars frame
        component (in words), predicted, happened, happened_low, happened_high; shares.
    """
    if calibration.height == 0:
        return None
    traces: list[dict[str, Any]] = [{
        "x": [0, 1], "y": [0, 1], "mode": "lines", "hoverinfo": "skip", "showlegend": False,
        "line": {"color": "@quiet", "dash": "dot", "width": 1.5},
    }]  # fmt: skip
    symbols = ("circle", "diamond", "square", "triangle-up")
    named = calibration.with_columns(pl.col("component").fill_null("all components"))
    for index, name in enumerate(named["component"].unique().sort().to_list()[:MOST_LINES]):
        rows = named.filter(pl.col("component") == name).sort("predicted")
        y = rows["happened"]
        traces.append({
            "x": _numbers(rows["predicted"], 3), "y": _numbers(y, 3), "name": name,
            "mode": "lines+markers", "line": {"color": f"@{_COLOURS[index]}", "width": 1},
            "marker": {"symbol": symbols[index], "size": 9},
            "error_y": {
                "type": "data", "symmetric": False, "thickness": 1.5, "width": 3,
                "array": _numbers((rows["happened_high"] - y).fill_null(0.0).clip(0), 3),
                "arrayminus": _numbers((y - rows["happened_low"]).fill_null(0.0).clip(0), 3),
            },
        })  # fmt: skip
    layout = _layout("chance said beforehand", "share that came true")
    layout["xaxis"] |= {"range": [-0.02, 1.02]}
    layout["yaxis"] |= {"range": [-0.02, 1.02]}
    layout |= {"showlegend": True, "legend": {"orientation": "h", "y": 1.15, "x": 0}}
    gap = (calibration["predicted"] - calibration["happened"]).abs().max()
    told = (
        f"{words.counted(calibration.height, 'group')} of chances; the furthest from what happened "
        f"is off by {words.share(float(gap) if isinstance(gap, int | float) else None)}."
    )
    return Figure(figure_id, title, told, _packed(traces, layout))


def _layout(x_title: str, y_title: str) -> dict[str, Any]:
    axis = {
        "gridcolor": "@hairline", "linecolor": "@quiet", "zeroline": False, "fixedrange": True,
        "automargin": True,
    }  # fmt: skip
    return {
        "paper_bgcolor": "@clear", "plot_bgcolor": "@clear", "showlegend": False, "hovermode": "closest",
        "height": HEIGHT, "font": {"size": 14, "color": "@ink"},
        "margin": {"l": 56, "r": 16, "t": 16, "b": 52},
        "xaxis": {**axis, "title": {"text": x_title, "font": {"size": 14}}},
        "yaxis": {**axis, "title": {"text": y_title, "font": {"size": 14}}},
    }  # fmt: skip


def _band(x: Sequence[float], rows: pl.DataFrame, colour: str) -> list[dict[str, Any]]:
    if rows["low"].null_count() or rows["high"].null_count():
        return []
    line = {"shape": "hv", "width": 0, "color": f"@{colour}"}
    plain = {"x": x, "mode": "lines", "line": line, "hoverinfo": "skip"}
    return [
        {**plain, "y": _numbers(rows["low"], 3)},
        {**plain, "y": _numbers(rows["high"], 3), "fill": "tonexty", "fillcolor": f"@{colour}-wash"},
    ]


def _end_labels(ends: Sequence[_End]) -> list[dict[str, Any]]:
    """Each line's name beside its end; names are set apart so that none lies over another."""
    heights: list[float] = []
    ranked = sorted(ends, key=lambda end: -end.y)
    for end in ranked:
        heights.append(min(end.y, heights[-1] - _LABEL_APART) if heights else end.y)
    lift = max(0.0, -heights[-1])
    return [
        {
            "x": end.x, "xanchor": "left", "xshift": 4, "y": height + lift, "yanchor": "middle",
            "text": _plain_text(end.level), "showarrow": False, "font": {"color": f"@{end.colour}-text"},
        }
        for end, height in zip(ranked, heights, strict=True)
    ]  # fmt: skip


def _plain_text(text: str) -> str:
    """Text that the drawing library cannot take for its own small markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _curve_told(level: str, x: Sequence[float], y: Sequence[float]) -> str:
    half = next((week for week, left in zip(x, y, strict=True) if left <= 0.5), None)
    if half is None:
        return f"{level}: more than half still work at {x[-1]:.0f} weeks"
    return f"{level}: half are gone by {half:.0f} weeks"


def _by_weeks(plans: pl.DataFrame, column: str) -> dict[int, int]:
    weeks = (plans[column].drop_nulls() / 7.0).round().cast(pl.Int64)
    return {int(week): int(count) for week, count in weeks.value_counts().sort(column).iter_rows()}


def _bars(name: str, counts: Mapping[int, int], marker: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "bar", "name": name, "x": list(counts), "y": list(counts.values()), "marker": marker,
        "hovertemplate": "%{y} sites at %{x} weeks",
    }  # fmt: skip


def _numbers(values: pl.Series, digits: int) -> list[float]:
    return [float(value) for value in values.cast(pl.Float64).round(digits).to_list()]


def _packed(traces: Sequence[dict[str, Any]], layout: dict[str, Any]) -> str:
    return html_json({"data": list(traces), "layout": layout})
