"""Limits that no optimum may cross: how long each unit and visit interval may be, and what says so.

In order: failed_sample, open_alarm, rated_life, site_limit, local_rule, ceiling, beyond_records,
failure_chance, few_records. The first six are hard: they bound the age that a unit reaches, not only the
interval planned, and those that are deadlines are taken net of how late visits really happen. A limit that
bounds how often someone comes (the local rule, a site's own limit) bounds the visit interval; a site's own
limit bounds its components as well, except those with a rated life of their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from fleetstats.advice.terms import ComponentTerms, VisitTerms
from fleetstats.errors import AdviceError
from fleetstats.quantities import WEEK, BoolArray, FloatArray, IntArray

LIMITS: Final = (
    "failed_sample", "open_alarm", "rated_life", "site_limit", "local_rule", "ceiling",
    "beyond_records", "failure_chance", "few_records",
)  # fmt: skip
HARD: Final = 6
_AT = {name: place for place, name in enumerate(LIMITS)}
#: Limits on a unit's age that a late visit would break; "nothing is lengthened" compares plan with plan.
_DEADLINES: Final = ("rated_life", "site_limit", "ceiling")
#: A limit of more days than this that has not begun is looked at this long before.
_LONG_AHEAD_DAYS: Final = 3650
SITE_LIMIT_KINDS: Final = ("contract", "warranty", "authority", "customer", "technician")


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits on every unit's interval and on the visit interval of its site, days; inf where there is none.

    Attributes
    ----------
    unit_days, visit_days : array (units, limits)
        In the order of LIMITS; hard ones net of lateness.
    deadline_days : array (units,)
        Strictest hard limit on the unit's age as it is written, before lateness.
    deadline_name : tuple (units,)
        Its name; "" where there is none.
    visit_deadline_days : array (units,)
        Strictest limit on the time between visits as it is written, before lateness.
    impossible : array (units,) of bool
        A hard limit leaves less than a week, so that weekly visits cannot keep it.
    """

    unit_days: FloatArray
    visit_days: FloatArray
    deadline_days: FloatArray
    deadline_name: tuple[str, ...]
    visit_deadline_days: FloatArray
    impossible: BoolArray

    def of(self, rows: IntArray) -> Limits:
        """Return the limits of some of the units."""
        return Limits(
            self.unit_days[rows],
            self.visit_days[rows],
            self.deadline_days[rows],
            tuple(self.deadline_name[row] for row in rows),
            self.visit_deadline_days[rows],
            self.impossible[rows],
        )

    @property
    def hard_unit_days(self) -> FloatArray:
        """Oldest age a unit may be planned to reach, days (units,)."""
        return np.asarray(self.unit_days[:, :HARD].min(axis=1))

    @property
    def hard_visit_days(self) -> FloatArray:
        """Longest visit interval each unit's site may be planned at, days (units,)."""
        return np.asarray(np.minimum(self.visit_days.min(axis=1), self.hard_unit_days))


def find_limits(
    *, units: pl.DataFrame, components: Mapping[str, ComponentTerms], terms: VisitTerms
) -> Limits:
    """Return the limits of every unit that need no life curve: all but failure_chance and few_records.

    Parameters
    ----------
    units : polars frame
        component, rated_life_days (the part's; null), site_limit_days and site_limit_begun_days (null;
        see `strictest_site_limits`: what has not begun has no deadline yet), failed_sample_open,
        open_alarm (bool), current_visit_days, seen_days (null).
    components : mapping
    terms : VisitTerms
    """
    kinds = [components[name] for name in units["component"]]
    unit, visit = _as_written(units, kinds, terms.local_rule_days)
    begun_unit, begun_visit = _as_written(
        units.with_columns(site_limit_days="site_limit_begun_days"), kinds, terms.local_rule_days
    )
    deadline = begun_unit[:, :HARD]
    visit_deadline = begun_visit[:, [_AT["site_limit"], _AT["local_rule"]]].min(axis=1)
    for name in _DEADLINES:
        unit[:, _AT[name]] -= terms.lateness_days
    for name in ("site_limit", "local_rule"):
        visit[:, _AT[name]] -= terms.lateness_days
    if terms.beyond_records > 0:
        usual = np.array([min(kind.current_interval_days, kind.customary_days) for kind in kinds])
        unit[:, _AT["beyond_records"]] = beyond_ages_seen(units, usual, terms.beyond_records)
    names = (
        LIMITS[at] if np.isfinite(row[at]) else ""
        for row, at in zip(deadline, deadline.argmin(axis=1), strict=True)
    )
    return Limits(
        unit_days=np.maximum(unit, WEEK),
        visit_days=np.maximum(visit, WEEK),
        deadline_days=deadline.min(axis=1),
        deadline_name=tuple(names),
        visit_deadline_days=visit_deadline,
        impossible=np.minimum(unit[:, :HARD].min(axis=1), visit.min(axis=1)) < WEEK,
    )


def _as_written(
    units: pl.DataFrame, kinds: list[ComponentTerms], local_rule_days: float | None
) -> tuple[FloatArray, FloatArray]:
    """Return the hard limits on units and on visits before lateness, both (units, limits)."""
    unit = np.full((len(units), len(LIMITS)), np.inf)
    visit = np.full((len(units), len(LIMITS)), np.inf)
    today = np.array([kind.current_interval_days for kind in kinds])
    for flag, name in (("failed_sample_open", "failed_sample"), ("open_alarm", "open_alarm")):
        stuck = units[flag].fill_null(False).to_numpy()
        unit[stuck, _AT[name]] = today[stuck]
        visit[stuck, _AT[name]] = units["current_visit_days"].to_numpy()[stuck]
    rated = [kind.rated_life(part) for kind, part in zip(kinds, units["rated_life_days"], strict=True)]
    site_limit = units["site_limit_days"].cast(pl.Float64).fill_null(np.inf).to_numpy()
    unit[:, _AT["rated_life"]] = rated
    unit[:, _AT["site_limit"]] = np.where(np.isfinite(rated), np.inf, site_limit)
    unit[:, _AT["ceiling"]] = [kind.ceiling for kind in kinds]
    visit[:, _AT["site_limit"]] = site_limit
    visit[:, _AT["local_rule"]] = np.inf if local_rule_days is None else local_rule_days
    return unit, visit


def beyond_ages_seen(rows: pl.DataFrame, usual: FloatArray | float, factor: float) -> FloatArray:
    """Return the limit by ages seen, days (rows,); it never asks for less than what is usual.

    Parameters
    ----------
    rows : polars frame
        seen_days (null: none was seen).
    usual : array (rows,) or float
        The shorter of today's rule and the customary interval.
    factor : float
        How far past the ages seen an interval may go.
    """
    seen = rows["seen_days"].cast(pl.Float64).fill_null(0.0).to_numpy()
    return np.asarray(np.fmax(factor * seen, usual))


def with_soft_limits(
    limits: Limits, *, failure_chance: FloatArray, few_records: FloatArray, shortest_days: FloatArray
) -> Limits:
    """Return the limits with the two that need the curves; soft ones leave the shortest visit interval.

    Parameters
    ----------
    limits : Limits
    failure_chance, few_records : array (units,)
        Longest interval by each, days; inf where it does not bind.
    shortest_days : array (units,)
        Shortest visit interval that may be planned at the unit's site.
    """
    unit = limits.unit_days.copy()
    unit[:, _AT["failure_chance"]] = failure_chance
    unit[:, _AT["few_records"]] = few_records
    unit[:, HARD:] = np.maximum(unit[:, HARD:], shortest_days[:, None])
    return replace(limits, unit_days=unit)


def strictest_site_limits(
    *, sites: pl.DataFrame, site_limits: pl.DataFrame | None, as_of: date
) -> pl.DataFrame:
    """Return the strictest limit at each site that is in force, or begins before it could run out once.

    A plan made today lasts: a limit of 90 days that begins in a month is planned for now, while only those in
    force can be overdue.

    Columns site_id, site_limit_days, site_limit_kind, site_limit_source, site_limit_from (null: in force),
    site_limit_begun_days (strictest of those in force; null = none).

    Parameters
    ----------
    sites : polars frame
        site_id, and region where a limit may name one.
    site_limits : polars frame or None
        site_id (or region), kind, max_days, from, until, source; bounds of validity may be null.
    as_of : date

    Raises
    ------
    AdviceError
        If a limit is not above 0 days.
    """
    names = ["site_id", "site_limit_days", "site_limit_kind", "site_limit_source", "site_limit_from"]
    types = (sites["site_id"].dtype, pl.Float64, pl.String, pl.String, pl.Date)
    empty = pl.DataFrame(schema=dict(zip(names, types, strict=True)))
    begun_days = pl.col("site_limit_days").filter(pl.col("site_limit_from").is_null()).min()
    if site_limits is None or site_limits.is_empty():
        return empty.with_columns(site_limit_begun_days=pl.lit(None, pl.Float64))
    _refuse_empty_limits(site_limits)
    rows = _in_force_or_soon(site_limits, as_of)
    named = rows.filter(pl.col("site_id").is_not_null()).select(names)
    wide = empty
    if "region" in sites.columns:
        regional = rows.filter(pl.col("site_id").is_null() & pl.col("region").is_not_null()).drop("site_id")
        wide = sites.select("site_id", "region").join(regional, on="region").select(names)
    return (
        pl.concat([named, wide])
        .with_columns(site_limit_begun_days=begun_days.over("site_id"))
        .sort("site_id", "site_limit_days", "site_limit_kind")
        .unique("site_id", keep="first", maintain_order=True)
    )


def _in_force_or_soon(site_limits: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Return the limits in force and those that begin within their own days, these with `site_limit_from`."""

    def known(name: str, kind: type[pl.DataType]) -> pl.Expr:
        return pl.col(name) if name in site_limits.columns else pl.lit(None, kind)

    rows = site_limits.select(
        site_id=pl.col("site_id"),
        region=known("region", pl.String),
        site_limit_days=pl.col("max_days").cast(pl.Float64),
        site_limit_kind=pl.col("kind"),
        site_limit_source=known("source", pl.String).cast(pl.String),
        site_limit_from=known("from", pl.Date),
        until=known("until", pl.Date),
    )
    begins, ahead = pl.col("site_limit_from"), pl.col("site_limit_days").clip(0, _LONG_AHEAD_DAYS)
    soon = begins <= pl.lit(as_of) + pl.duration(days=ahead.ceil().cast(pl.Int64))
    return rows.filter(
        (begins.is_null() | soon) & (pl.col("until").is_null() | (pl.col("until") >= as_of))
    ).with_columns(site_limit_from=pl.when(begins > as_of).then(begins).cast(pl.Date))


def _refuse_empty_limits(site_limits: pl.DataFrame) -> None:
    days = pl.col("max_days").cast(pl.Float64)
    wrong = site_limits.filter(days.is_null() | days.is_nan() | (days <= 0))
    if len(wrong):
        row = wrong.row(0, named=True)
        raise AdviceError(
            f"site limit of {row.get('site_id') or row.get('region')!r}: found max_days {row['max_days']!r}; "
            "accepted is a number of days above 0; correct that row of site_limits"
        )
