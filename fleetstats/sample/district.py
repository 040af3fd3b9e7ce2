"""The invented hill district: its homes, how the firm serves them, and what the office wrote down of them."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from fleetstats.quantities import BoolArray, FloatArray, IntArray
from fleetstats.sample.stories import Story
from fleetstats.sample.wear import CARBON, LAMP, ROOFS, SEDIMENT_2, SLEEVE, TANKS, TREES, Homes

REGIONS: Final = ("east_ridge", "west_ridge", "valley_floor", "high_bench")
CREWS: Final = ("amber", "blue", "green", "grey")
NEVER: Final = 10**7  # a day that does not come
BEFORE_DAYS: Final = 420  # homes are lived in this long before the records begin

_FIRST: Final = ("Long", "High", "Low", "Broad", "Stony", "Ferny", "Windy", "Mossy", "Twin", "Far")
_SECOND: Final = ("Spur", "Hollow", "Saddle", "Knoll", "Bench", "Gully", "Ledge", "Rise", "Brow", "Shelf")


@dataclass(frozen=True, slots=True)
class Service:
    """How the firm serves each home; days are counted from 1970-01-01, `NEVER` for a day that does not come.

    Attributes
    ----------
    joins, commissioned : array (n,)
        First day with records, and whether the units are put in that day (else they were in place).
    leaves, told : array (n,)
        Last day served, and whether the office was told (else the customer goes silently).
    leader : array (n,)
        Index of the home whose trips this one shares (itself when it has its own).
    gauges, housing_gauges, flow_meter, metered, controller, sensor : array (n,) of bool
        What can be read at the home.
    meter_replaced : array (n,)
        Day a new water meter starts from nought.
    pump_kpa, clean_sediment_kpa, clean_carbon_kpa : array (n,)
    notice_days : array (n,)
        How long low pressure is borne before the call, on average.
    """

    joins: IntArray
    commissioned: BoolArray
    leaves: IntArray
    told: BoolArray
    leader: IntArray
    gauges: BoolArray
    housing_gauges: BoolArray
    flow_meter: BoolArray
    metered: BoolArray
    controller: BoolArray
    sensor: BoolArray
    meter_replaced: IntArray
    pump_kpa: FloatArray
    clean_sediment_kpa: FloatArray
    clean_carbon_kpa: FloatArray
    notice_days: FloatArray


def invent_homes(n: int, story: Story, *, start: int, rng: np.random.Generator) -> Homes:
    """Return n homes as they stood before anything changed."""
    tank = rng.choice(len(TANKS), n, p=[0.36, 0.34, 0.16, 0.09, 0.05])
    young = rng.random(n) < 0.3
    age_days = np.where(young, rng.uniform(0, 1500, n), rng.uniform(1500, 13_000, n))
    has = np.ones((5, n), bool)
    has[SEDIMENT_2] = rng.random(n) < 0.04
    has[CARBON] = rng.random(n) < 0.93
    has[[LAMP, SLEEVE]] = rng.random(n) < 0.95
    part = np.zeros((5, n), np.int64)
    part[:2] = rng.choice(3, n, p=[0.5, 0.35, 0.15])
    part[CARBON] = rng.choice(2, n, p=[0.7, 0.3])
    part[LAMP] = rng.choice(2, n, p=[0.75, 0.25])
    return Homes(
        tank=tank,
        roof=rng.choice(len(ROOFS), n, p=[0.46, 0.2, 0.12, 0.07, 0.05, 0.06, 0.04]),
        trees=rng.choice(len(TREES), n, p=[0.3, 0.42, 0.28]),
        region=np.arange(n) % len(REGIONS),
        tank_day=np.floor(start - age_days),
        cleaned_day=np.floor(start - age_days * rng.uniform(0.1, 1, n)),
        first_flush=rng.random(n) < 0.35,
        seasonal=rng.random(n) < 0.1,
        occupants=rng.choice(np.arange(1.0, 7.0), n, p=[0.14, 0.33, 0.2, 0.19, 0.1, 0.04]),
        litres_each=rng.triangular(110, 150, 200, n),
        gutters=rng.normal(0, story.gutter_spread, n),
        scale=rng.normal(0, story.scale_spread, n),
        supply=rng.normal(0, story.lamp_spread, n),
        passing=np.zeros(n),
        in_use=np.ones(n),
        part=part,
        has=has,
    )


def invent_service(n: int, story: Story, *, start: int, end: int, rng: np.random.Generator) -> Service:
    """Return how the firm serves n homes between `start` and `end`."""
    late = rng.random(n) < story.joined_share
    joins = np.where(late, rng.integers(start + 40, max(end - 120, start + 41), n), start)
    gone = rng.random(n)
    share = story.left_share + story.stopped_share
    leaves = np.where(gone < share, rng.integers(start + 200, max(end, start + 201), n), NEVER)
    leaves = np.where(leaves > joins + 250, leaves, NEVER)
    leader = np.arange(n)
    followers = np.flatnonzero(rng.random(n) < 0.06)
    followers = followers[followers >= 4]
    leader[followers] = followers - 4  # four doors on: the same region
    leader = np.where(leader[leader] == leader, leader, np.arange(n))
    return Service(
        joins=np.where(leader == np.arange(n), joins, joins[leader]),
        commissioned=late & (rng.random(n) > story.taken_over_share),
        leaves=leaves,
        told=gone < story.left_share,
        leader=leader,
        gauges=rng.random(n) < 0.92,
        housing_gauges=rng.random(n) < 0.15,
        flow_meter=rng.random(n) < 0.2,
        metered=rng.random(n) < story.metered_share,
        controller=rng.random(n) < 0.45,
        sensor=rng.random(n) < 0.15,
        meter_replaced=np.where(rng.random(n) < 0.04, rng.integers(start, end + 1, n), NEVER),
        pump_kpa=rng.triangular(260, 320, 400, n),
        clean_sediment_kpa=rng.triangular(12, 16, 21, n),
        clean_carbon_kpa=rng.triangular(17, 22, 28, n),
        notice_days=rng.triangular(1, 4, 9, n),
    )


def site_ids(n: int) -> pl.Series:
    """Return the ids of n homes: H-001 and on, as wide as the last one needs."""
    width = max(3, len(str(n)))
    return pl.Series("site_id", [f"H-{i:0{width}d}" for i in range(1, n + 1)])


def crew_of(region: IntArray, n: int) -> IntArray:
    """Return the crew of each home: one a region, but for every ninth home the next crew's."""
    crew: IntArray = (region + (np.arange(n) % 9 == 0)) % len(CREWS)
    return crew


def sites_frame(homes: Homes, service: Service, *, end: int, rng: np.random.Generator) -> pl.DataFrame:
    """Return the `sites` table as held at the end: some fields blank, some tanks dated by the year alone."""
    n = len(homes)
    built = pl.Series(homes.tank_day.astype(np.int32)).cast(pl.Date)
    year_only = rng.random(n) < 0.25
    names = [f"{_FIRST[i % 10]} {_SECOND[i // 10 % 10]} {i // 100 + 1}" for i in range(n)]
    left = np.where(service.told & (service.leaves <= end), service.leaves, 0)
    litres = np.round(rng.triangular(8_000, 22_000, 48_000, n), -3)
    frame = pl.DataFrame(
        {
            "site_id": site_ids(n),
            "site_name": names,
            "tank_material": np.array(TANKS)[homes.tank],
            "tank_installed": built.dt.strftime("%Y-%m-%d"),
            "year": built.dt.strftime("%Y"),
            "tank_litres": litres,
            "roof_area_m2": np.round(rng.triangular(90, 190, 340, n)),
            "roof_material": np.array(ROOFS)[homes.roof],
            "inlet_screen_um": rng.choice([300.0, 500.0, 1000.0], n),
            "tree_cover": np.array(TREES)[homes.trees],
            "first_flush": np.where(homes.first_flush, "yes", "no"),
            "occupants": homes.occupants.astype(np.int64),
            "potable": np.where(homes.has[LAMP], "yes", "no"),
            "occupancy": np.where(homes.seasonal, "seasonal", "all_year"),
            "left_on": pl.Series(left.astype(np.int32)).cast(pl.Date),
            "region": np.array(REGIONS)[homes.region],
            "crew": np.array(CREWS)[crew_of(homes.region, n)],
            "address_id": [f"A-{i + 1:05d}" for i in service.leader],
        }
    )
    blanks = {"tank_litres": 0.1, "roof_area_m2": 0.2, "inlet_screen_um": 0.3, "tree_cover": 0.06}
    blanks |= {"occupants": 0.08, "roof_material": 0.03, "tank_installed": 0.05}
    known = {name: pl.Series(rng.random(n) >= share) for name, share in blanks.items()}
    return (
        frame.with_columns(
            pl.when(pl.Series(year_only)).then("year").otherwise("tank_installed").alias("tank_installed"),
            pl.when(pl.Series(left > 0)).then("left_on").alias("left_on"),
        )
        .with_columns(pl.when(flag).then(name).alias(name) for name, flag in known.items())
        .drop("year")
    )
