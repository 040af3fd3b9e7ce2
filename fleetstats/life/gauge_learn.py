"""Learns how each component blocks from its fleet's gauges: readings of one housing, and of all in line.

A reading across all stages is the sum of theirs, so what the others took must be known to tell what one
took. Components are therefore learned twice: first each from readings of its own housing (and of lines in
which it stands alone), then with the readings across all, where what the others took is a few equally likely
drops from their first fit, their age and what is known of their own lives. There the chain is cut: a third
round would use each such reading again for what it has already told.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl

from fleetstats.life.blocking import Blocking
from fleetstats.life.families import FAMILIES
from fleetstats.life.fit import fit_life
from fleetstats.life.gauge_cells import GaugeCells, GaugeReadings, gauge_cells
from fleetstats.life.gauge_fit import CLEAN_SD, GaugeFit, fit_gauges, usable
from fleetstats.life.life_fit import LifeFit
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.priors import Priors
from fleetstats.quantities import FloatArray

#: Equally likely drops that stand for what each other stage takes.
ATOMS: Final = 3
#: The law is learned from so many lives with readings at most, of sites evenly over the records.
LEARNED_FROM: Final = 600
#: Fewer readings than this say nothing that is worth its doubts.
FEWEST: Final = 12
#: Standard deviation of the log of what one new line reads, about what its stages take.
_NEW_LINE_SD: Final = 0.3
#: Readings of fewer homes than this tell little of what a stage takes elsewhere: homes differ.
FEWEST_HOMES: Final = 6
_NODES = 9
_QUANTILES: Final = (np.arange(ATOMS) + 0.5) / ATOMS
_SITE_POINTS: Final = np.array([-1.2247, 0.0, 1.2247])
_READ: Final = {
    "life": pl.Int64, "age_days": pl.Float64, "drop_kpa": pl.Float64, "flow_lpm": pl.Float64,
    "visit_id": pl.String,
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Housing:
    """One component whose blocking a gauge can show: what is known of its lives, and where its life ends.

    Attributes
    ----------
    lives : Lifetimes
    spell_id : ndarray of int, shape (lives,)
        Spell of each life.
    priors : Priors
    limit_kpa : float
    """

    lives: Lifetimes
    spell_id: np.ndarray[tuple[int], np.dtype[np.int64]]
    priors: Priors
    limit_kpa: float


@dataclass(frozen=True, slots=True, eq=False)
class Gauge:
    """What a component's readings teach.

    Attributes
    ----------
    blocking : Blocking
    readings : GaugeReadings
        Those that inform.
    cells : GaugeCells
    fit : GaugeFit
        How it was found.
    across_all : int
        How many of the readings were taken across all stages.
    """

    blocking: Blocking
    readings: GaugeReadings
    cells: GaugeCells
    fit: GaugeFit
    across_all: int


def learn_gauges(
    housings: Mapping[str, Housing], readings: pl.DataFrame, stages: pl.DataFrame
) -> dict[str, Gauge]:
    """Return what the readings teach of each component; those with too few readings are not in it.

    Parameters
    ----------
    housings : mapping of str to Housing
    readings, stages : polars frames
        The relations `readings` and `stages_read`.
    """
    flow = _usual_flow(readings)
    stages = stages.filter("usable")
    own = {name: _own_rows(name, housing, readings, stages) for name, housing in housings.items()}
    first: dict[str, tuple[Blocking, LifeFit]] = {}
    for name, housing in housings.items():
        first[name] = _first_fit(housing, _as_readings(own[name], None, flow))
    guessed = [
        name
        for name, housing in housings.items()
        if _sites_read(housing.lives, _as_readings(own[name], None, flow)) < FEWEST_HOMES
    ]
    first = _shared_out(first, guessed, new_lines(stages), flow)
    found = {}
    for name, housing in housings.items():
        shared, others = _shared_rows(name, housings, first, own[name], stages)
        rows = pl.concat([own[name], shared])
        kpa = np.concatenate([np.zeros((own[name].height, ATOMS)), others])
        read = _as_readings(rows, kpa, flow)
        if len(usable(housing.lives, read)) < FEWEST:
            continue
        fitted = fit_gauges(
            *_some_sites(housing.lives, read), priors=housing.priors, limit_kpa=housing.limit_kpa,
            start=first[name][0],
        )  # fmt: skip
        kept = usable(housing.lives, read)
        cells = gauge_cells(housing.lives, kept, fitted.blocking)
        found[name] = Gauge(fitted.blocking, kept, cells, fitted, shared.height)
    return found


def _sites_read(lives: Lifetimes, readings: GaugeReadings) -> int:
    own = usable(lives, readings)
    return 0 if len(own) < FEWEST else int(np.unique(lives.site_code[own.life[own.life >= 0]]).size)


def new_lines(stages: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of readings across lines in which every stage had just gone in: all clean."""
    return stages.filter("usable").filter((pl.col("age_days") <= 0).all().over("visit_id"))


def _shared_out(
    first: Mapping[str, tuple[Blocking, LifeFit]],
    guessed: Sequence[str],
    lines: pl.DataFrame,
    usual_flow: float,
) -> dict[str, tuple[Blocking, LifeFit]]:
    """Return the first fits with what clean lines read shared out over stages hardly read alone.

    Else each of two stages never read alone is told that the other takes what common practice says, and both
    are left with what remains of a sum that is lower.
    """
    clean = {name: blocking.clean_kpa for name, (blocking, _) in first.items()}
    at_flow = pl.when(pl.col("flow_lpm") > 0).then(pl.col("flow_lpm") / usual_flow).otherwise(1.0)
    sums = (
        lines.filter(pl.col("component").is_in(list(first)).all().over("visit_id"))
        .with_columns(
            own=pl.col("component").replace_strict(clean, default=0.0, return_dtype=pl.Float64),
            guess=pl.col("component").is_in(list(guessed)),
            kpa=pl.col("drop_kpa") / at_flow,
        )
        .group_by("visit_id")
        .agg(
            pl.col("kpa").first(),
            guessed=pl.col("own").filter("guess").sum(),
            known=pl.col("own").filter(~pl.col("guess")).sum(),
        )
        .filter(pl.col("guessed") > 0)
    )
    if sums.is_empty():
        return dict(first)
    left = np.maximum(sums["kpa"].to_numpy() - sums["known"].to_numpy(), 1.0)
    off = float(np.median(np.log(left / sums["guessed"].to_numpy())))
    sure = sums.height * CLEAN_SD**2
    times = float(np.exp(off * sure / (sure + _NEW_LINE_SD**2)))
    return {
        name: (replace(blocking, clean_kpa=clean[name] * times), fit) if name in guessed else (blocking, fit)
        for name, (blocking, fit) in first.items()
    }


def _usual_flow(readings: pl.DataFrame) -> float:
    flows = readings["flow_lpm"].drop_nulls()
    flows = flows.filter(flows > 0)
    return float(np.median(flows.to_numpy())) if flows.len() else 1.0


def _own_rows(name: str, housing: Housing, readings: pl.DataFrame, stages: pl.DataFrame) -> pl.DataFrame:
    """Return the readings of the component's own housing, and of lines in which it stands alone."""
    place = _places(housing)
    across_one = readings.filter(pl.col("informs") & (pl.col("component") == name))
    alone = stages.filter(pl.len().over("visit_id") == 1).filter(
        (pl.col("component") == name) & ~pl.col("spent_seen")
    )
    rows = pl.concat([across_one.select(_SHOWN), alone.select(_SHOWN)])
    return _placed(rows, place)


_SHOWN: Final = ("spell_id", "age_days", "drop_kpa", "flow_lpm", "visit_id")


def _places(housing: Housing) -> pl.DataFrame:
    return pl.DataFrame(
        {"spell_id": housing.spell_id, "life": np.arange(housing.spell_id.size)},
        schema={"spell_id": pl.Int64, "life": pl.Int64},
    )


def _placed(rows: pl.DataFrame, place: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with their life; a fresh unit needs none, any other without one is left out."""
    found = rows.with_columns(pl.col("spell_id").cast(pl.Int64)).join(
        place, on="spell_id", how="left", maintain_order="left"
    )
    fresh = pl.col("age_days") <= 0
    found = found.with_columns(life=pl.when(fresh).then(-1).otherwise("life"))
    return found.filter(pl.col("life").is_not_null()).select(
        pl.col(column).cast(kind) for column, kind in _READ.items()
    )


def _shared_rows(
    name: str,
    housings: Mapping[str, Housing],
    first: Mapping[str, tuple[Blocking, LifeFit]],
    own: pl.DataFrame,
    stages: pl.DataFrame,
) -> tuple[pl.DataFrame, FloatArray]:
    """Return readings of this component across all stages, and what the others may have taken, (n, atoms).

    Visits at which its own housing was read, or another stage was found spent, are passed over.
    """
    whole = stages.filter(
        (pl.len().over("visit_id") > 1)
        & ~pl.col("spent_seen").any().over("visit_id")
        & pl.col("component").is_in(list(housings)).all().over("visit_id")
        & (pl.col("component") == name).any().over("visit_id")
    ).join(own, on="visit_id", how="anti", maintain_order="left")
    rows = _placed(whole.filter(pl.col("component") == name).select(_SHOWN), _places(housings[name]))
    others = pl.DataFrame({"visit_id": rows["visit_id"], "row": np.arange(rows.height)})
    kpa, known = np.zeros((rows.height, ATOMS)), np.ones(rows.height, dtype=bool)
    for other, (blocking, fit) in first.items():
        if other == name:
            continue
        there = whole.filter(pl.col("component") == other).select(_SHOWN)
        placed = _placed(there, _places(housings[other])).join(others, on="visit_id", how="inner")
        missing = there.join(placed, on="visit_id", how="anti").join(others, on="visit_id", how="inner")
        known[missing["row"].to_numpy()] = False
        kpa[placed["row"].to_numpy()] += _drops(
            blocking, fit, placed["life"].to_numpy(), placed["age_days"].to_numpy()
        )
    return rows.filter(pl.Series(known)), kpa[known]


def _drops(blocking: Blocking, fit: LifeFit, life: np.ndarray, age: FloatArray) -> FloatArray:
    """Return equally likely drops of units at an age, given what is known of their lives, shape (n, atoms).

    Three points of the site's effect times the middles of thirds of the life left; every third of the nine
    drops, in order of size, is taken together.
    """
    lives, family = fit.lives, FAMILIES[fit.family]
    row = np.maximum(life, 0)
    location = fit.estimate[0] + lives.design[row] @ fit.estimate[1 : 1 + lives.design.shape[1]]
    mean, sd = (fit.site_effects[name].to_numpy()[lives.site_code[row]] for name in ("mean", "sd"))
    with np.errstate(divide="ignore"):
        low, high = np.log(lives.lower[row]), np.log(lives.upper[row])
    found = []
    for point in _SITE_POINTS:
        centre = location + mean + point * sd
        below, above = (np.exp(family.log_sf((edge - centre) / fit.sigma)) for edge in (low, high))
        for quantile in _QUANTILES:
            left = np.clip(below + (above - below) * quantile, 1e-12, 1 - 1e-12)
            end = np.exp(np.clip(centre + fit.sigma * family.quantile(1 - left), low, high))
            found.append(np.where(life < 0, 0.0, age / end))
    drops = np.sort(blocking.drop(np.stack(found, axis=1)), axis=1)
    atoms: FloatArray = drops.reshape(life.size, ATOMS, _SITE_POINTS.size).mean(axis=2)
    return atoms


def _as_readings(rows: pl.DataFrame, other_kpa: FloatArray | None, usual_flow: float) -> GaugeReadings:
    flow = rows["flow_lpm"].fill_null(0.0).to_numpy()
    read = flow > 0
    return GaugeReadings(
        rows["life"].to_numpy().astype(np.intp),
        rows["age_days"].to_numpy().astype(np.float64),
        rows["drop_kpa"].to_numpy().astype(np.float64),
        np.where(read, np.log(np.where(read, flow, 1.0) / usual_flow), 0.0),
        read,
        np.zeros((rows.height, ATOMS)) if other_kpa is None else other_kpa,
    )


def _first_fit(housing: Housing, readings: GaugeReadings) -> tuple[Blocking, LifeFit]:
    """Return law and lives from the component's own readings; from common practice where these are few."""
    lives, priors = housing.lives, housing.priors
    own = usable(lives, readings)
    if len(own) < FEWEST:
        blocking = Blocking(housing.limit_kpa)
        return blocking, fit_life(lives, "weibull", priors=priors, nodes=_NODES)
    blocking = fit_gauges(*_some_sites(lives, own), priors=priors, limit_kpa=housing.limit_kpa).blocking
    cells = gauge_cells(lives, own, blocking)
    return blocking, fit_life(lives, "weibull", priors=priors, nodes=_NODES, cells=cells)


def _some_sites(lives: Lifetimes, readings: GaugeReadings) -> tuple[Lifetimes, GaugeReadings]:
    """Return lives and readings of sites evenly over the records, enough of them to tell the law well."""
    read = np.unique(readings.life[readings.life >= 0]).size
    step = -(-read // LEARNED_FROM)
    if step <= 1:
        return lives, readings
    which = np.flatnonzero(lives.site_code % step == 0)
    place = np.full(len(lives) + 1, -2, dtype=np.intp)
    place[which], place[-1] = np.arange(which.size), -1
    moved = place[readings.life]
    kept = readings.take(moved > -2)
    return (
        lives.take(which),
        GaugeReadings(
            moved[moved > -2], kept.age_days, kept.drop_kpa, kept.log_flow, kept.flow_read, kept.other_kpa
        ),
    )
