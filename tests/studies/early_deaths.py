"""Lamps weak from the start: does a share of early deaths earn its place beside ageing, by held-out score?

Run by hand, about two minutes:

    python tests/studies/early_deaths.py --sites 400 --seeds 0 1 2

Each invented fleet is halved by site. From one half the lives are learned, and the share that dies early is
taken to be the failures of the first 60 days beyond those the lives foretell. The other half's lamps are
scored: log of the chance given to what happened, with and without that share. A lamp that dies early does so
after an exponential time; whichever death comes first is seen.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats import pipeline
from fleetstats.life.covariates import water_facts
from fleetstats.life.learn import ComponentLife, draws_for_new, learn_component
from fleetstats.sample import invent_fleet, write_fleet
from fleetstats.sample.fleet import END
from fleetstats.settings import default_settings
from fleetstats.store import Relations, Store
from fleetstats.trust.against_curve import EARLY_DAYS
from fleetstats.trust.outlook import DAY, Outlook

Floats = NDArray[np.float64]
LAMP, MEAN_EARLY_DAYS = "uv_lamp", 25.0


@dataclass(frozen=True, slots=True)
class Half:
    """Lamps of one half of the sites and what the other half's lives foretell of them."""

    outlook: Outlook
    entry: Floats
    lower: Floats
    upper: Floats

    def share_still_good(self, days: Floats) -> Floats:
        """Return the chance of lasting to each lamp's `days` from its entry; 0 at inf."""
        ended = np.isinf(days)
        at = np.maximum(np.where(ended, self.entry, days), self.entry)
        return np.where(ended, 0.0, np.exp(-self.outlook.hazard(at)))

    def early_share(self) -> float:
        """Return the failures of the first weeks beyond those foretold, as a share of the lamps from new."""
        new = self.entry == 0
        seen = float(((self.upper <= EARLY_DAYS) & new).sum())
        foretold = self.outlook.hazard(np.maximum(np.minimum(self.lower, EARLY_DAYS), self.entry))[new].sum()
        return max(0.0, (seen - float(foretold)) / max(1, new.sum()))

    def gain(self, early: float) -> Floats:
        """Return for each lamp the log score that the early share adds."""
        begin = np.where(self.lower == self.upper, np.maximum(self.lower - DAY, self.entry), self.lower)
        low, high = self.share_still_good(begin), self.share_still_good(self.upper)
        with_early = low * _good(begin, early) - high * _good(self.upper, early)
        return np.log(with_early / _good(self.entry, early)) - np.log(low - high)


def _good(days: Floats, early: float) -> Floats:
    """Return the share not yet dead of being weak, 1 - p + p exp(-t / mean)."""
    return 1 - early + early * np.exp(-days / MEAN_EARLY_DAYS)


def known(sites: int, seed: int) -> Relations:
    """Return what the records of an invented fleet tell."""
    settings = default_settings()
    with tempfile.TemporaryDirectory() as folder:
        records, path = Path(folder) / "records", Path(folder) / "fleet.duckdb"
        write_fleet(invent_fleet(sites, seed=seed), records)
        pipeline.load([records], store=path, settings=settings, today=END, progress=lambda _: None)
        with Store(path) as store:
            day = store.latest_visit()
            return store.relations(as_of=day or END, settings=settings)


def learned(relations: Relations, spells: pl.DataFrame) -> ComponentLife:
    """Return what some of the lamps teach."""
    one = relations.in_place.filter(pl.col("component") == LAMP).head(1)
    return learn_component(
        default_settings().component(LAMP),
        spells=spells,
        units=one.select("site_id", "chapter", "component", "slot", "part_number"),
        sites=relations.sites,
        as_of=relations.as_of,
    )


def half(relations: Relations, life: ComponentLife, spells: pl.DataFrame) -> Half:
    """Return spells as lamps at sites never seen before."""
    draws = draws_for_new(life, water_facts(spells, relations.sites))
    entry, lower, upper = (spells[c].to_numpy() for c in ("entry_days", "lower_days", "upper_days"))
    return Half(Outlook(draws, entry), entry, lower, upper)


def one_fleet(sites: int, seed: int) -> tuple[list[float], Floats]:
    """Return the early shares found in each half, and the gain of each lamp of the other."""
    relations = known(sites, seed)
    lamps = relations.spells.filter(pl.col("component") == LAMP).sort("spell_id")
    ids = relations.sites["site_id"].sort()
    shares, gains = [], []
    for fold in (0, 1):
        held = pl.col("site_id").is_in(ids.gather_every(2, fold).to_list())
        life = learned(relations, lamps.filter(~held))
        shares.append(half(relations, life, lamps.filter(~held)).early_share())
        gains.append(half(relations, life, lamps.filter(held)).gain(shares[-1]))
    return shares, np.concatenate(gains)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=400)
    parser.add_argument("--seeds", nargs="+", type=int, default=[0, 1, 2])
    asked = parser.parse_args()
    print("| fleet | lamps scored | early share found in each half | log score gained (s.e.) |")
    print("|---|---|---|---|")
    for seed in asked.seeds:
        shares, gain = one_fleet(asked.sites, seed)
        error = gain.std() * np.sqrt(gain.size)
        found = " and ".join(f"{100 * share:.1f} %" for share in shares)
        print(f"| {seed} | {gain.size:,} | {found} | {gain.sum():+.1f} ({error:.1f}) |", flush=True)


if __name__ == "__main__":
    main()
