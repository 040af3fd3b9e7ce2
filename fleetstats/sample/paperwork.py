"""The office's other tables: parts, water samples, limits set for single homes, and decisions taken."""

from datetime import date, timedelta
from typing import Final

import numpy as np
import polars as pl

from fleetstats.quantities import BoolArray
from fleetstats.sample.district import site_ids

SEDIMENT_PARTS: Final = ("SC-25G", "SC-10", "SC-05")
CARBON_PARTS: Final = ("CB-10", "CB-05")
LAMP_PARTS: Final = ("UL-40", "UL-55")
SLEEVE_PART: Final = "QS-40"
_SITES_STOCKED_FOR: Final = 60
_FEWEST_SITES: Final = 20  # from here on one home awaits a good sample after a failed one

_PART_COLUMNS: Final = (
    "part_number", "component", "description", "supplier", "supplier_part_number", "micron", "unit_cost",
    "pack_size", "lead_time_days", "rated_life_days", "warranty_days", "on_hand", "on_order",
)  # fmt: skip
# on hand and on order for sixty homes
_PARTS: Final = (
    (
        "SC-25G",
        "sediment_cartridge",
        "graded 25 to 1 micron",
        "S1",
        "1025",
        25,
        29.0,
        6,
        10,
        None,
        None,
        40,
        0,
    ),
    ("SC-10", "sediment_cartridge", "pleated 10 micron", "S1", "1010", 10, 24.5, 6, 10, None, None, 11, 12),
    ("SC-05", "sediment_cartridge", "pleated 5 micron", "S1", "1005", 5, 26.0, 6, 10, None, None, 9, 0),
    ("CB-10", "carbon_cartridge", "carbon block 10 micron", "S2", "K-10", 10, 47.0, 4, 24, 365, None, 22, 8),
    ("CB-05", "carbon_cartridge", "carbon block 5 micron", "S2", "K-05", 5, 51.0, 4, 24, 365, None, 6, 0),
    ("UL-40", "uv_lamp", "low-pressure lamp 40 W", "S3", "40-L", None, 79.0, 1, 35, 365, 270, 7, 4),
    ("UL-55", "uv_lamp", "low-pressure lamp 55 W", "S3", "55-L", None, 92.0, 1, 35, None, 270, 2, 0),
    ("QS-40", "quartz_sleeve", "quartz sleeve", "S3", "40-Q", None, 38.0, 1, 35, None, None, 3, 0),
)
_SUPPLIERS: Final = {"S1": "first supplier", "S2": "second supplier", "S3": "third supplier"}


def parts_frame(sites: int) -> pl.DataFrame:
    """Return the `parts` table, stock in proportion to the number of homes."""
    scale = max(sites / _SITES_STOCKED_FOR, 0.1)
    columns = zip(*_PARTS, strict=True)
    frame = dict(zip(_PART_COLUMNS, map(list, columns), strict=True))
    frame["supplier"] = [_SUPPLIERS[code] for code in frame["supplier"]]
    for name in ("on_hand", "on_order"):
        frame[name] = [round(count * scale) for count in frame[name]]
    return pl.DataFrame(frame)


def samples_frame(
    potable: BoolArray, served: BoolArray, *, start: date, end: date, rng: np.random.Generator
) -> pl.DataFrame:
    """Return the `samples` table: yearly at two homes in five; most failed ones have a good one after."""
    n, days = len(potable), (end - start).days
    rows: list[tuple[int, int, bool]] = []
    for site in np.flatnonzero(potable & served & (rng.random(n) < 0.4)):
        for sampled in np.arange(rng.integers(1, 366), days, 365) + rng.integers(0, 40):
            failed = rng.random() < 0.03
            rows.append((int(site), int(sampled), not failed))
            if failed and rng.random() < 0.85:
                rows.append((int(site), int(sampled) + int(rng.integers(9, 45)), True))
    if n >= _FEWEST_SITES:
        open_at = rng.choice(np.flatnonzero(potable & served))
        rows.append((int(open_at), days - 12, False))
    kept = sorted(row for row in rows if row[1] <= days)
    counts = rng.integers(1, 60, len(kept))
    ids = site_ids(n)
    return pl.DataFrame(
        {
            "site_id": [ids[row[0]] for row in kept],
            "sampled_on": [start + timedelta(days=row[1]) for row in kept],
            "parameter": ["e_coli_per_100_ml"] * len(kept),
            "result": ["0" if row[2] else str(c) for row, c in zip(kept, counts.tolist(), strict=True)],
            "passed": ["yes" if row[2] else "no" for row in kept],
            "laboratory_ref": [f"L-{i:05d}" for i in range(1, len(kept) + 1)],
        },
        schema_overrides={"site_id": pl.String, "sampled_on": pl.Date},
    )


def site_limits_frame(sites: int, *, start: date, rng: np.random.Generator) -> pl.DataFrame:
    """Return the `site_limits` table: an authority's 180 days here, a contract's four months there."""
    count = max(1, round(0.05 * sites))
    who = np.sort(rng.choice(sites, count, replace=False))
    kinds = np.array([0, 1, 0, 2, 0, 3])[np.arange(count) % 6]
    words = ("authority", "contract", "customer", "technician")
    days = (180, 122, 150, 112)
    sources = (
        "notice of the district office: served and sampled within 180 days",
        "service contract, three visits a year",
        "asked for by the household",
        "technician: very dirty roof",
    )
    ids = site_ids(sites)
    return pl.DataFrame(
        {
            "site_id": [ids[int(i)] for i in who],
            "region": [None] * count,
            "kind": [words[k] for k in kinds],
            "max_days": [days[k] for k in kinds],
            "from": [start] * count,
            "until": [None] * count,
            "source": [sources[k] for k in kinds],
        },
        schema_overrides={"region": pl.String, "until": pl.Date},
    )


def decisions_frame(
    visits: pl.DataFrame, served: BoolArray, *, end: date, rng: np.random.Generator
) -> pl.DataFrame:
    """Return the `decisions` table: the home with most call-outs is seen more often, the least not less."""
    calls = (
        visits.filter(pl.col("site_id").is_in(site_ids(len(served)).filter(pl.Series(served)).implode()))
        .group_by("site_id")
        .agg((pl.col("visit_reason") == "callout").sum().alias("calls"))
        .sort("calls", "site_id", descending=[True, False])["site_id"]
    )
    rows = (
        (119, "accepted", "more call-outs than visits", "office"),
        (273, "refused", "household wants to see someone twice a year", "household"),
    )[: calls.len()]
    return pl.DataFrame(
        {
            "site_id": [calls[0], calls[-1]][: len(rows)],
            "decided_on": [end - timedelta(days=int(d)) for d in rng.integers(20, 90, len(rows))],
            "visit_interval_days": [row[0] for row in rows],
            "decision": [row[1] for row in rows],
            "reason": [row[2] for row in rows],
            "by": [row[3] for row in rows],
        },
        schema_overrides={"site_id": pl.String, "decided_on": pl.Date},
    )
