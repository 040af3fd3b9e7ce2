"""One frozen `Results`: everything the pages show, as display values and polars frames."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from datetime import date
from functools import partial

import polars as pl

from fleetstats.report.frames import empty, fitted
from fleetstats.settings import Settings


def _none(name: str) -> Callable[[], pl.DataFrame]:
    return partial(empty, name)


@dataclass(frozen=True, slots=True)
class Results:
    """What an analysis found, as the pages need it. Columns of each frame: `fleetstats.report.frames`.

    Every frame may be empty. Frames are brought to the columns and types of `frames.FRAMES` on the way in.

    Attributes
    ----------
    as_of : date
        The day up to which the records were read; printed on every page.
    display : Settings
        Those of the analysis, each component with the rule that is in force today.
    version : str
        Of the program, printed on every page.

    Raises
    ------
    ReportError
        If a frame with rows lacks a needed column or holds what cannot be read.
    """

    as_of: date
    display: Settings
    version: str = ""
    sites: pl.DataFrame = field(default_factory=_none("sites"))
    visits: pl.DataFrame = field(default_factory=_none("visits"))
    work: pl.DataFrame = field(default_factory=_none("work"))
    in_place: pl.DataFrame = field(default_factory=_none("in_place"))
    spells: pl.DataFrame = field(default_factory=_none("spells"))
    left_out: pl.DataFrame = field(default_factory=_none("left_out"))
    readings: pl.DataFrame = field(default_factory=_none("readings"))
    changes: pl.DataFrame = field(default_factory=_none("changes"))
    parts: pl.DataFrame = field(default_factory=_none("parts"))
    effects: pl.DataFrame = field(default_factory=_none("effects"))
    families: pl.DataFrame = field(default_factory=_none("families"))
    site_life: pl.DataFrame = field(default_factory=_none("site_life"))
    curves: pl.DataFrame = field(default_factory=_none("curves"))
    life_curves: pl.DataFrame = field(default_factory=_none("life_curves"))
    plans: pl.DataFrame = field(default_factory=_none("plans"))
    evidence_levels: pl.DataFrame = field(default_factory=_none("evidence_levels"))
    totals: pl.DataFrame = field(default_factory=_none("totals"))
    what_if_kinds: pl.DataFrame = field(default_factory=_none("what_if_kinds"))
    what_if_units: pl.DataFrame = field(default_factory=_none("what_if_units"))
    what_if_rates: pl.DataFrame = field(default_factory=_none("what_if_rates"))
    plan_changes: pl.DataFrame = field(default_factory=_none("plan_changes"))
    earlier_intervals: pl.DataFrame = field(default_factory=_none("earlier_intervals"))
    decisions_paid: pl.DataFrame = field(default_factory=_none("decisions_paid"))
    fixes: pl.DataFrame = field(default_factory=_none("fixes"))
    intervals: pl.DataFrame = field(default_factory=_none("intervals"))
    why: pl.DataFrame = field(default_factory=_none("why"))
    todays_practice: pl.DataFrame = field(default_factory=_none("todays_practice"))
    limit_costs: pl.DataFrame = field(default_factory=_none("limit_costs"))
    blocked_total: pl.DataFrame = field(default_factory=_none("blocked_total"))
    calendar: pl.DataFrame = field(default_factory=_none("calendar"))
    weekly_load: pl.DataFrame = field(default_factory=_none("weekly_load"))
    due: pl.DataFrame = field(default_factory=_none("due"))
    gauge_laws: pl.DataFrame = field(default_factory=_none("gauge_laws"))
    gauge_last: pl.DataFrame = field(default_factory=_none("gauge_last"))
    at_stop: pl.DataFrame = field(default_factory=_none("at_stop"))
    gauge_visits: pl.DataFrame = field(default_factory=_none("gauge_visits"))
    reading_worth: pl.DataFrame = field(default_factory=_none("reading_worth"))
    stock: pl.DataFrame = field(default_factory=_none("stock"))
    stock_past: pl.DataFrame = field(default_factory=_none("stock_past"))
    orders: pl.DataFrame = field(default_factory=_none("orders"))
    starting_intervals: pl.DataFrame = field(default_factory=_none("starting_intervals"))
    replay: pl.DataFrame = field(default_factory=_none("replay"))
    calibration: pl.DataFrame = field(default_factory=_none("calibration"))
    second_opinion: pl.DataFrame = field(default_factory=_none("second_opinion"))
    sensitivity: pl.DataFrame = field(default_factory=_none("sensitivity"))
    removals: pl.DataFrame = field(default_factory=_none("removals"))
    early_deaths: pl.DataFrame = field(default_factory=_none("early_deaths"))
    lives_by_year: pl.DataFrame = field(default_factory=_none("lives_by_year"))
    lives_by_month: pl.DataFrame = field(default_factory=_none("lives_by_month"))
    part_costs: pl.DataFrame = field(default_factory=_none("part_costs"))
    samples: pl.DataFrame = field(default_factory=_none("samples"))
    refused: pl.DataFrame = field(default_factory=_none("refused"))
    warnings: pl.DataFrame = field(default_factory=_none("warnings"))
    loads: pl.DataFrame = field(default_factory=_none("loads"))
    records_held: pl.DataFrame = field(default_factory=_none("records_held"))
    fleet_counts: pl.DataFrame = field(default_factory=_none("fleet_counts"))

    def __post_init__(self) -> None:
        for item in fields(self):
            if item.name not in ("as_of", "display", "version"):
                frame = fitted(item.name, getattr(self, item.name))
                object.__setattr__(self, item.name, frame)
