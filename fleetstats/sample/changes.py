"""What changes at homes while the records run: new roofs and tanks, a first flush, gutters, drought."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from fleetstats.quantities import FloatArray, IntArray
from fleetstats.sample.district import NEVER, REGIONS, site_ids
from fleetstats.sample.wear import ROOFS, TANKS, Homes

KINDS: Final = (
    "roof", "first_flush", "tank", "household", "tank_cleaned", "gutters_cleaned", "vacant", "drought",
)  # fmt: skip
_SHARES: Final = (0.15, 0.22, 0.08, 0.17, 0.16, 0.16, 0.06)  # of changes at single homes; drought is regional
_NOTES: Final = (
    "re-roofed in metal",
    "first flush diverter fitted",
    "old tank replaced by a new one",
    "household has changed",
    "sludge pumped out",
    "gutters and screens cleared",
    "house stands empty",
    "low tanks, water drawn near the bottom",
)
_LASTS_DAYS: Final = {"gutters_cleaned": 400, "vacant": 150, "drought": 90}
_DROUGHT_SOLIDS: Final = 1.5
_CLEARED: Final = 0.6
_EMPTY_HOUSE: Final = 0.05
_CHANGED_SHARE_A_YEAR: Final = 0.035


@dataclass(frozen=True, slots=True)
class Changes:
    """Changes in the order of their days; `site` is the home's index, or minus one less the region's code.

    Attributes
    ----------
    day, until : array (m,)
        Days from 1970-01-01; `NEVER` for a lasting change.
    site, kind, value : array (m,)
        Kind indexes `KINDS`; value is the new roof, tank or number of people where the kind has one.
    """

    day: IntArray
    until: IntArray
    site: IntArray
    kind: IntArray
    value: IntArray


def invent_changes(homes: Homes, *, start: int, end: int, rng: np.random.Generator) -> Changes:
    """Return what changes: something at one home in thirty a year, and one region's drought."""
    n, years = len(homes), (end - start) / 365.25
    site = np.flatnonzero(rng.random(n) < 1 - np.exp(-_CHANGED_SHARE_A_YEAR * years))
    kind = rng.choice(len(_SHARES), len(site), p=_SHARES)
    day = rng.integers(start + 60, max(end - 30, start + 61), len(site))
    value = np.where(kind == KINDS.index("household"), rng.integers(1, 7, len(site)), 0)
    value = np.where(kind == KINDS.index("tank"), rng.integers(0, 2, len(site)), value)
    kind = np.where((kind == 0) & (homes.roof[site] == 0), 1, kind)
    kind = np.where((kind == 1) & homes.first_flush[site], KINDS.index("gutters_cleaned"), kind)
    if years > 1:
        site, kind = np.append(site, -1 - rng.integers(len(REGIONS))), np.append(kind, KINDS.index("drought"))
        day, value = np.append(day, rng.integers(start + 200, end - 100)), np.append(value, 0)
    lasts = np.array([_LASTS_DAYS.get(name, NEVER) for name in KINDS])[kind]
    order = np.argsort(day, kind="stable")
    until = np.where(lasts < NEVER, day + lasts, NEVER)
    return Changes(day[order], until[order], site[order], kind[order], value[order])


def apply_changes(homes: Homes, changes: Changes, day: int) -> bool:
    """Change `homes` in place by what happens on `day`, and say whether anything did."""
    begins = np.flatnonzero(changes.day == day)
    ends = np.flatnonzero(changes.until == day)
    for row in begins:
        _begin(homes, KINDS[changes.kind[row]], _who(homes, changes.site[row]), changes.value[row], day)
    for row in ends:
        _end(homes, KINDS[changes.kind[row]], _who(homes, changes.site[row]))
    return bool(len(begins) or len(ends))


def _who(homes: Homes, site: int) -> IntArray:
    """Return the homes that a change touches."""
    return np.flatnonzero(homes.region == -1 - site) if site < 0 else np.array([site])


def _begin(homes: Homes, kind: str, who: IntArray, value: int, day: int) -> None:
    """Let one change take effect."""
    if kind == "roof":
        homes.roof[who] = ROOFS.index("metal")
    elif kind == "first_flush":
        homes.first_flush[who] = True
    elif kind == "tank":
        homes.tank[who], homes.tank_day[who] = (TANKS.index("concrete"), TANKS.index("poly"))[value], day
        homes.cleaned_day[who] = day
    elif kind == "household":
        homes.occupants[who] = value
    elif kind == "tank_cleaned":
        homes.cleaned_day[who] = day
    elif kind == "vacant":
        homes.in_use[who] = _EMPTY_HOUSE
    else:
        homes.passing[who] += np.log(_DROUGHT_SOLIDS if kind == "drought" else _CLEARED)


def _end(homes: Homes, kind: str, who: IntArray) -> None:
    """Take back a change that did not last."""
    if kind == "vacant":
        homes.in_use[who] = 1.0
    else:
        homes.passing[who] -= np.log(_DROUGHT_SOLIDS if kind == "drought" else _CLEARED)


def changes_frame(changes: Changes, sites: int) -> pl.DataFrame:
    """Return the `changes` table; only what someone sees ending has an `until` (gutters refill unnoticed)."""
    seen_to_end = np.isin(changes.kind, [KINDS.index("vacant"), KINDS.index("drought")])
    until: FloatArray = np.where(seen_to_end, changes.until, 0)
    regional = changes.site < 0
    ids = site_ids(sites).to_numpy()
    return pl.DataFrame(
        {
            "site_id": [None if r else ids[s] for s, r in zip(changes.site, regional, strict=True)],
            "region": [REGIONS[-1 - s] if r else None for s, r in zip(changes.site, regional, strict=True)],
            "changed_on": pl.Series(changes.day.astype(np.int32)).cast(pl.Date),
            "until": pl.Series(until.astype(np.int32)).cast(pl.Date),
            "kind": [KINDS[k] for k in changes.kind],
            "note": [_NOTES[k] for k in changes.kind],
        },
        schema_overrides={"site_id": pl.String, "region": pl.String},
    ).with_columns(pl.when(pl.Series(until > 0)).then("until").alias("until"))
