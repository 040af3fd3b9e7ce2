"""The fleet as the forecast sees it: units in place, the parts they hold, the plan each one follows."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats.errors import StockError
from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import IndexArray
from fleetstats.stock.visit_walk import Units

UNKNOWN_PART = "unknown part"
#: Sites whose late visits are drawn at once: bounds the memory of a large fleet.
SITES_AT_ONCE = 500
UNIT_COLUMNS = (
    "site_id", "component", "slot", "part_number", "age_days", "survived_days", "spent_seen",
)  # fmt: skip
PLAN_COLUMNS = (
    "site_id", "component", "slot", "visit_interval_days", "every_n_visits", "hard_limit_days",
    "next_visit_on",
)  # fmt: skip
#: Columns of plans that need not be there: 0 where they are missing.
YOUNG_COLUMNS = ("renewed_young_first", "renewed_young_second")
KEY = ("site_id", "component", "slot")


@dataclass(frozen=True, slots=True)
class Fleet:
    """The units in place whose parts are forecast, in one fixed order.

    Attributes
    ----------
    units : polars frame
        `UNIT_COLUMNS` and joins_on (null = in place), draw_row (row of the unit in its component's draws),
        part_row, site_row; ordered by component, site and slot, so that the order of the records changes
        nothing.
    parts : polars frame
        component, part_number, units and sites that hold it now; a component's parts stand together.
    components : tuple of str
    lives : mapping of component to draws
    announced : mapping of component to bool
    """

    units: pl.DataFrame
    parts: pl.DataFrame
    components: tuple[str, ...]
    lives: Mapping[str, LifeDraws]
    announced: Mapping[str, bool]


def fleet_in_place(
    units: pl.DataFrame,
    *,
    lives: Mapping[str, LifeDraws],
    announced: Mapping[str, bool],
    part_share: Mapping[str, float],
    changes: pl.DataFrame | None = None,
) -> Fleet:
    """Return the units that may take a part, with missing part numbers told as `UNKNOWN_PART`.

    Units with a date in `joins_on` are at sites that are yet to be added; they count as no unit held now.
    Parts that no unit holds now and that `changes` (see `part_changes`) may bring stand among the parts.

    Raises
    ------
    StockError
        If columns, kinds or draws are missing, draws and units disagree in number, or a share is no share.
    """
    _require(units, UNIT_COLUMNS, "units in place")
    row = pl.col("life_row") if "life_row" in units.columns else pl.int_range(pl.len()).over("component")
    kept = units.with_columns(draw_row=row.cast(pl.Int64))
    _check_components(kept, lives, announced, part_share)
    for column, in_service in (("removed", False), ("served", True)):
        if column in kept.columns:
            kept = kept.filter(pl.col(column) == in_service)
    without_part = [name for name, share in part_share.items() if share == 0.0]
    kept = kept.filter(~pl.col("component").is_in(without_part)).sort(KEY)
    part = pl.col("part_number").cast(pl.String).str.strip_chars().replace("", None)
    joins = pl.col("joins_on") if "joins_on" in kept.columns else pl.lit(None, dtype=pl.Date)
    kept = kept.select(*UNIT_COLUMNS, "draw_row", joins_on=joins).with_columns(
        part_number=part.fill_null(UNKNOWN_PART)
    )
    parts = _parts_held(kept, changes)
    kept = kept.sort("component", "site_id", "slot").join(
        parts.select("component", "part_number").with_row_index("part_row"),
        on=["component", "part_number"],
        how="left",
        maintain_order="left",
    )
    site_row = pl.col("site_id").rank("dense").cast(pl.Int64) - 1
    return Fleet(
        units=kept.with_columns(site_row=site_row),
        parts=parts,
        components=tuple(parts["component"].unique().sort()),
        lives=lives,
        announced=announced,
    )


def _parts_held(kept: pl.DataFrame, changes: pl.DataFrame | None) -> pl.DataFrame:
    """Return each part with the units and sites that hold it now, 0 where it may only come."""
    held = pl.col("joins_on").is_null()
    now = kept.group_by("component", "part_number").agg(
        units=held.sum().cast(pl.UInt32),
        sites=pl.col("site_id").filter(held).n_unique().cast(pl.UInt32),
    )
    if changes is not None:
        may_come = changes.select("component", part_number="next_part_number").unique()
        may_come = may_come.join(now.select("component").unique(), on="component", how="semi")
        counts = pl.lit(0, dtype=pl.UInt32)
        new = may_come.join(now, on=["component", "part_number"], how="anti")
        now = pl.concat([now, new.with_columns(units=counts, sites=counts)])
    return now.sort("component", "part_number")


def with_plans(fleet: Fleet, plans: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return the units with their plans, in days: first_visit_days and joins_days count from `as_of`.

    Raises
    ------
    StockError
        If a unit has no plan or two, or a plan is out of range.
    """
    _require(plans, PLAN_COLUMNS, "plans")
    twice = plans.filter(plans.select(KEY).is_duplicated())
    if twice.height:
        raise StockError(f"plans: {_named(twice)} has two plans; accepted is one; drop one of them")
    first = (pl.col("next_visit_on") - pl.lit(as_of)).dt.total_days().cast(pl.Float64)
    visit = pl.col("visit_interval_days").cast(pl.Float64)
    hard = pl.col("hard_limit_days").cast(pl.Float64).fill_null(float("inf"))
    young = [(pl.col(name) if name in plans.columns else pl.lit(0.0)).alias(name) for name in YOUNG_COLUMNS]
    planned = plans.select(
        *KEY,
        *young,
        first_visit_days=first.clip(lower_bound=1.0),
        visit_interval_days=visit,
        interval_days=visit * pl.col("every_n_visits"),
        hard_limit_days=hard,
    )
    joins = (pl.col("joins_on") - pl.lit(as_of)).dt.total_days().cast(pl.Float64).clip(lower_bound=1.0)
    joined = fleet.units.join(planned, on=list(KEY), how="left", maintain_order="left").with_columns(
        joins_days=joins
    )
    numbers = ("first_visit_days", "visit_interval_days", "interval_days", "hard_limit_days")
    fine = pl.all_horizontal(pl.col(name).fill_null(0.0).fill_nan(0.0) > 0.0 for name in numbers)
    fine &= (pl.col("visit_interval_days") >= 1.0) & pl.col("interval_days").is_finite()
    wrong = joined.filter(~fine.fill_null(False))
    if wrong.height:
        raise StockError(
            f"plans: {_named(wrong)} has no usable plan ({wrong.height} units in all); accepted is "
            "a date for the next visit, a visit interval of at least a day, every_n_visits of 1 or more and "
            "a hard limit above 0 or none; plan every unit that is in place"
        )
    return joined


def component_units(fleet: Fleet, planned: pl.DataFrame, component: str) -> tuple[Units, IndexArray, slice]:
    """Return the component's units, their rows in its draws, and which rows of the parts are its own."""
    own = planned.filter(pl.col("component") == component)
    part = own["part_row"].to_numpy().astype(np.intp)
    of_kind = np.flatnonzero((fleet.parts["component"] == component).to_numpy())
    parts = slice(int(of_kind[0]), int(of_kind[-1]) + 1)
    lasted = own["survived_days"].cast(pl.Float64).fill_null(0.0).to_numpy()
    # a unit that comes into service in 30 days is 30 days short of new
    age = own.select(pl.coalesce(-pl.col("joins_days"), pl.col("age_days").cast(pl.Float64))).to_series()
    young = own.select(YOUNG_COLUMNS).to_numpy().astype(np.float64)
    units = Units(
        site=own["site_row"].to_numpy().astype(np.intp),
        part=part - parts.start,
        announced=fleet.announced[component],
        age_days=age.fill_null(float("nan")).to_numpy(),
        lasted_days=np.maximum(lasted, 0.0),
        spent=own["spent_seen"].fill_null(False).to_numpy(),
        first_visit=own["first_visit_days"].to_numpy(),
        visit_interval=own["visit_interval_days"].to_numpy(),
        interval=own["interval_days"].to_numpy(),
        hard_limit=own["hard_limit_days"].to_numpy(),
        renewed_young=young if young.any() else None,
    )
    return units, own["draw_row"].to_numpy().astype(np.intp), parts


def visit_lateness(
    planned: pl.DataFrame, last_day: float, lateness_days: float, replicates: int, seed: int
) -> NDArray[np.int16]:
    """Return the whole days by which each visit is late, (sites, visits, R).

    Exponential with its 90th percentile at `lateness_days`, and never later than halfway to the site's
    next visit. All units of a site are seen at the same visit.
    """
    sites = planned.group_by("site_row").agg(pl.col("visit_interval_days").min()).sort("site_row")
    if not sites.height:
        return np.zeros((0, 0, replicates), np.int16)
    shortest = sites["visit_interval_days"].to_numpy()
    visits = int(last_day // shortest.min()) + 2
    late = np.zeros((sites.height, visits, replicates), np.int16)
    if lateness_days > 0.0:
        mean = lateness_days / np.log(10.0)
        for block, first in enumerate(range(0, sites.height, SITES_AT_ONCE)):
            halfway = shortest[first : first + SITES_AT_ONCE, None, None] // 2.0
            drawn = np.random.default_rng([seed, block, 3]).standard_exponential(
                (halfway.shape[0], visits, replicates)
            )
            late[first : first + SITES_AT_ONCE] = np.minimum(drawn * mean, halfway)
    return late


def _check_components(
    units: pl.DataFrame,
    lives: Mapping[str, LifeDraws],
    announced: Mapping[str, bool],
    part_share: Mapping[str, float],
) -> None:
    for name, share in part_share.items():
        if not 0.0 <= share <= 1.0:
            raise StockError(
                f"demand: part_share of {name} is {share}; accepted is a share from 0 to 1; mend it"
            )
    for (name,), own in units.group_by("component", maintain_order=True):
        if name not in announced:
            raise StockError(f"demand: it is not told whether failures of {name} are announced; say which")
        if part_share.get(str(name), 1.0) == 0.0:
            continue
        if name not in lives:
            raise StockError(
                f"demand: {own.height} units of {name} have no lives; learn that component first"
            )
        drawn, rows = lives[str(name)].location.shape[0], own["draw_row"].fill_null(-1)
        in_order = "life_row" in units.columns or drawn == own.height
        if not in_order or not bool(rows.is_between(0, drawn - 1).all()):
            raise StockError(
                f"demand: {name} has {own.height} units and draws for {drawn}; accepted is one row of draws "
                "for each unit in the order of the units, or a row named by life_row; draw the lives for them"
            )
    for column in ("age_days", "survived_days"):
        values = units[column].cast(pl.Float64).drop_nulls()
        if values.len() and not bool(((values >= 0) & values.is_finite()).all()):
            raise StockError(
                f"demand: {column} holds {values.min()!r}; accepted is 0 days or more; mend the units"
            )


def _require(frame: pl.DataFrame, columns: Sequence[str], what: str) -> None:
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise StockError(f"{what}: column {missing[0]} is missing; needed are {', '.join(columns)}; add it")


def _named(rows: pl.DataFrame) -> str:
    site, component, slot = rows.select(KEY).row(0)
    return f"{component} at site {site}" + (f" in slot '{slot}'" if slot else "")
