"""Decisions taken on advised intervals: what is in force at each site, and what it leaves of the choice."""

from datetime import date
from typing import Final

import numpy as np
import polars as pl

from fleetstats.quantities import WEEK, BoolArray, FloatArray, IntArray

#: Decisions that fix the visit interval; a refused one only bounds it.
FIXING: Final = ("accepted", "trial")
#: Columns that a decision adds to a site.
WISHES: Final = ("pinned_days", "no_longer_days", "no_shorter_days")


def decisions_in_force(*, sites: pl.DataFrame, decisions: pl.DataFrame | None, as_of: date) -> pl.DataFrame:
    """Return the latest decision at each site up to `as_of`, and what it leaves of the choice.

    An accepted interval or one on trial is pinned. A refused one that is longer than today's keeps visits no
    longer than today's; a refused one that is shorter keeps them no shorter. A later decision replaces it.

    Parameters
    ----------
    sites : polars frame
        site_id, current_visit_days.
    decisions : polars frame or None
        site_id, decided_on, decision (accepted, refused, trial), visit_interval_days (null), reason (null).
    as_of : date

    Returns
    -------
    polars frame
        site_id, decision, decided_on, decided_interval_days, decided_reason, pinned_days, no_longer_days,
        no_shorter_days (null = not bounded).
    """
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        "site_id": sites["site_id"].dtype, "decision": pl.String, "decided_on": pl.Date,
        "decided_interval_days": pl.Float64, "decided_reason": pl.String, **dict.fromkeys(WISHES, pl.Float64),
    }  # fmt: skip
    if decisions is None or decisions.is_empty():
        return pl.DataFrame(schema=schema)
    reason = pl.col("reason") if "reason" in decisions.columns else pl.lit(None)
    latest = (
        decisions.filter(pl.col("decided_on") <= as_of)
        .with_columns(reason.cast(pl.String).alias("decided_reason"))
        .sort("site_id", "decided_on", maintain_order=True)
        .unique("site_id", keep="last", maintain_order=True)
        .join(sites.select("site_id", "current_visit_days"), on="site_id", maintain_order="left")
    )
    days, today = pl.col("visit_interval_days").cast(pl.Float64), pl.col("current_visit_days")
    refused = pl.col("decision") == "refused"
    return latest.with_columns(
        decided_interval_days=days,
        pinned_days=pl.when(pl.col("decision").is_in(FIXING)).then(days),
        no_longer_days=pl.when(refused & (days > today)).then(today),
        no_shorter_days=pl.when(refused & (days < today)).then(today),
    ).select(pl.col(name).cast(kind) for name, kind in schema.items())


def by_address(
    *, address: IntArray, addresses: int, pinned: FloatArray, no_longer: FloatArray, no_shorter: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the wishes of whole addresses: the shortest pin and cap, the longest floor; inf, inf, 0 = none.

    Parameters
    ----------
    address : array (sites,)
    addresses : int
    pinned, no_longer, no_shorter : array (sites,)
        nan where a site wishes nothing.
    """
    pin, cap, floor = np.full(addresses, np.inf), np.full(addresses, np.inf), np.zeros(addresses)
    np.minimum.at(pin, address, np.nan_to_num(pinned, nan=np.inf))
    np.minimum.at(cap, address, np.nan_to_num(no_longer, nan=np.inf))
    np.maximum.at(floor, address, np.nan_to_num(no_shorter, nan=0.0))
    return np.maximum(pin, float(WEEK)), cap, np.minimum(floor, cap)


def wished_weeks(
    *,
    weeks: IntArray,
    allowed: BoolArray,
    most_days: FloatArray,
    pin: FloatArray,
    cap: FloatArray,
    floor: FloatArray,
) -> BoolArray:
    """Return the visit intervals left to each address by its decisions, (addresses, W).

    A decision never passes a hard limit: a pinned interval beyond it is cut to the whole weeks within it. Nor
    does an interval accepted at one site of an address pass what was refused to another.

    Parameters
    ----------
    weeks : array (W,)
    allowed : array (addresses, W) of bool
        What limits leave; at least one week each.
    most_days : array (addresses,)
        Hard limit on the visit interval.
    pin, cap, floor : array (addresses,)
        See `by_address`, days.
    """
    days = weeks * float(WEEK)
    within = days <= most_days[:, None]
    kept = _last(within & (days <= np.minimum(pin, most_days)[:, None]), allowed)
    longest = np.where(np.isfinite(pin)[:, None], kept, allowed)
    capped = longest & (days <= cap[:, None])
    capped = np.where(
        np.asarray(capped.any(axis=1))[:, None], capped, _last(within & (days <= cap[:, None]), longest)
    )
    free = np.isinf(pin)
    floored = capped & (days >= floor[:, None])
    floored = np.where(np.asarray(floored.any(axis=1))[:, None], floored, _last(capped, capped))
    return np.asarray(np.where(free[:, None], floored, capped))


def _last(candidates: BoolArray, otherwise: BoolArray) -> BoolArray:
    """Return the last candidate of each row alone; `otherwise` where a row has none."""
    last = candidates.shape[1] - 1 - candidates[:, ::-1].argmax(axis=1)
    alone = candidates & (np.arange(candidates.shape[1]) == last[:, None])
    return np.asarray(np.where(np.asarray(candidates.any(axis=1))[:, None], alone, otherwise))
