"""From the logbook's codes to the tidy tables of visits and work."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats.quantities import IntArray
from fleetstats.sample import logbook as words
from fleetstats.sample.district import site_ids
from fleetstats.sample.logbook import Logbook
from fleetstats.sample.paperwork import CARBON_PARTS, LAMP_PARTS, SEDIMENT_PARTS, SLEEVE_PART
from fleetstats.sample.wear import COMPONENTS, SEDIMENT_2, SLEEVE, Homes

_NOTES: Final = (
    "gutters full",
    "left side gate open, closed it",
    "tank nearly empty",
    "housing O-ring greased",
    "asked about the smell after rain",
)
_PARTS: Final = (*SEDIMENT_PARTS, *CARBON_PARTS, *LAMP_PARTS, SLEEVE_PART)
_FIRST_PART: Final = np.array([0, 0, 3, 5, 7])  # where each unit's parts begin in _PARTS
_REMOVED_FIRST_SHARE: Final = 0.02

VISIT_READINGS: Final = (
    "flow_lpm", "meter_m3", "hardness_mg_l", "turbidity_ntu", "uvt_percent", "lamp_days_left",
    "uv_intensity_percent",
)  # fmt: skip


def _text(values: IntArray, allowed: Sequence[str]) -> pl.Series:
    """Return codes as words, an empty word as null."""
    words_of = [word or None for word in allowed]
    return pl.Series(words_of, dtype=pl.String).gather(values)


def _dates(days: IntArray) -> pl.Series:
    """Return days since 1970-01-01 as dates, 0 as null."""
    dates = pl.Series(days.astype(np.int32)).cast(pl.Date)
    return pl.select(pl.when(pl.Series(days > 0)).then(dates)).to_series()


def _numbers(values: NDArray[np.float64]) -> pl.Series:
    """Return numbers with NaN as null."""
    return pl.Series(values.astype(np.float64)).fill_nan(None)


def visit_ids(n: int) -> pl.Series:
    """Return the ids of n visits in the order of the book: V-00001 and on."""
    width = max(5, len(str(n)))
    return pl.Series("visit_id", [f"V-{i:0{width}d}" for i in range(1, n + 1)], dtype=pl.String)


def record_tables(book: Logbook, homes: Homes, rng: np.random.Generator) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the `visits` and the `work` table that the logbook amounts to."""
    visits, work = book.gathered()
    ids = visit_ids(book.visits)
    return _visits(visits, ids, homes, rng), _work(work, ids, visits, homes, rng)


def _visits(
    book: dict[str, NDArray[Any]], ids: pl.Series, homes: Homes, rng: np.random.Generator
) -> pl.DataFrame:
    n = len(ids)
    site = book["site"]
    noted = np.where(rng.random(n) < 0.04, rng.integers(0, len(_NOTES), n), len(_NOTES))
    reason = book["reason"]
    unsaid = (reason == words.ROUTINE) & (rng.random(n) < 0.03)
    slip = np.cumsum(rng.integers(1, 4, n)) + 20_000
    return pl.DataFrame(
        {
            "visit_id": ids,
            "site_id": site_ids(len(homes)).gather(site),
            "visit_date": _dates(book["day"]),
            "visit_reason": _text(np.where(unsaid, len(words.REASONS), reason), (*words.REASONS, "")),
            "callout_cause": _text(book["cause"], words.CAUSES),
            "reported_on": _dates(book["reported"]),
            "inlet_pressure_kpa": _numbers(book["inlet_pressure_kpa"]),
            "outlet_pressure_kpa": _numbers(book["outlet_pressure_kpa"]),
            "pressure_read": _text(book["after_work"], ("", "after_work")),
            **{name: _numbers(book[name]) for name in VISIT_READINGS},
            "technician": _text(book["technician"], [f"T-{i:02d}" for i in range(1, 9)]),
            "notes": _text(noted, (*_NOTES, "")),
            "source_ref": pl.Series([f"slip {number}" for number in slip.tolist()], dtype=pl.String),
        }
    )


def _work(
    book: dict[str, NDArray[Any]],
    ids: pl.Series,
    visits: dict[str, NDArray[Any]],
    homes: Homes,
    rng: np.random.Generator,
) -> pl.DataFrame:
    visit, unit, action = book["visit"], book["unit"], book["action"]
    site = visits["site"][visit]
    two = homes.has[SEDIMENT_2, site] & (unit <= SEDIMENT_2)
    goes_in = np.isin(action, [words.FITTED, words.REPLACED]) & (
        (unit != SLEEVE) | (action == words.REPLACED)
    )
    frame = pl.DataFrame(
        {
            "row": np.arange(len(visit)),
            "visit_id": ids.gather(visit),
            "component": _text(unit, COMPONENTS),
            "slot": _text(np.where(two, unit + 1, 0), ("", "1", "2")),
            "action": _text(action, words.ACTIONS),
            "condition": _text(book["condition"], words.CONDITIONS),
            "part_number": _text(
                np.where(goes_in, _FIRST_PART[unit] + np.where(unit == SLEEVE, 0, book["part"]), len(_PARTS)),
                (*_PARTS, ""),
            ),
            "fitted_on": _dates(book["fitted"]),
            "pressure_drop_kpa": _numbers(book["drop"]),
        }
    )
    split = (action == words.REPLACED) & (unit != SLEEVE) & (rng.random(len(visit)) < _REMOVED_FIRST_SHARE)
    return _split_replacements(frame, split)


def _split_replacements(frame: pl.DataFrame, split: NDArray[np.bool_]) -> pl.DataFrame:
    """Return the rows with some replacements written as removed, then fitted: a habit of one hand."""
    chosen = frame.filter(pl.Series(split))
    out = chosen.with_columns(pl.lit("removed").alias("action"), pl.lit(None, pl.String).alias("part_number"))
    into = chosen.with_columns(
        pl.lit("fitted").alias("action"),
        pl.lit(None, pl.String).alias("condition"),
        pl.lit(None, pl.Date).alias("fitted_on"),
        pl.lit(None, pl.Float64).alias("pressure_drop_kpa"),
    )
    whole = frame.filter(pl.Series(~split))
    return pl.concat([whole, out, into]).sort("row", maintain_order=True).drop("row")
