"""Rolling-origin replay: what was foretold at past dates, against what came after."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import FloatArray
from fleetstats.tables import TABLES
from fleetstats.trust.calibration import expected_events, followed_calibration, foretold_range
from fleetstats.trust.followup import FollowUp, follow_up
from fleetstats.trust.outlook import Outlook

GROUPS = 10
LEVEL = 0.90


@dataclass(frozen=True, slots=True)
class Origin:
    """One past date: what was known then, and what was known at the end of each horizon.

    Attributes
    ----------
    origin : date
    in_place : polars frame
        The relation `in_place` as known then.
    spells_after : mapping of int to polars frame
        Horizon in days -> the relation `spells` as known that many days later. Only the rows of what had been
        learned by then: that is what keeps the follow-up of failures and of survivors alike.
    """

    origin: date
    in_place: pl.DataFrame
    spells_after: Mapping[int, pl.DataFrame]


@dataclass(frozen=True, slots=True)
class Rivals:
    """Lives of one component's units, learned at an origin; rows as its rows of `in_place`.

    Attributes
    ----------
    model : draws
        With covariates and site effects.
    cohort : draws
        The same covariates without site effects.
    fleet : draws
        One curve for the whole fleet.
    """

    model: LifeDraws
    cohort: LifeDraws
    fleet: LifeDraws


#: Origin, component, that component's rows of in_place -> lives learned from what was known at the origin.
Learn = Callable[[date, str, pl.DataFrame], Rivals]


@dataclass(frozen=True, slots=True)
class Replay:
    """What the replay found.

    Attributes
    ----------
    scores : polars frame
        the table `replay`, one row for each origin, component and horizon with units to follow.
    calibration : polars frame
        origin, component, horizon_days and the columns of `followed_calibration`.
    """

    scores: pl.DataFrame
    calibration: pl.DataFrame


def replay(origins: Sequence[Origin], *, learn: Learn, announced: Mapping[str, bool]) -> Replay:
    """Return how forecasts made at each origin fared, for each component and horizon.

    Parameters
    ----------
    origins : sequence of Origin
    learn : callable
        Gives the rival lives of a component's units from what was known at an origin.
    announced : mapping of component to bool
        Components to replay, and whether their failures are announced.
    """
    scores, tables = [], []
    for then in origins:
        for component, heard in announced.items():
            units = then.in_place.filter(pl.col("component") == component)
            if not units.height:
                continue
            rivals = learn(then.origin, component, units)
            for horizon, spells in then.spells_after.items():
                found = follow_up(
                    units,
                    spells.filter(pl.col("component") == component),
                    announced=heard,
                    origin=then.origin,
                    horizon_days=horizon,
                )
                if found.row.size:
                    key = {"origin": then.origin, "component": component, "horizon_days": horizon}
                    row, table = score(found, rivals)
                    scores.append(key | row)
                    tables.append(table.select(*(pl.lit(v).alias(k) for k, v in key.items()), pl.all()))
    return Replay(TABLES["replay"].of(scores), pl.concat(tables) if tables else pl.DataFrame())


def score(found: FollowUp, rivals: Rivals) -> tuple[dict[str, object], pl.DataFrame]:
    """Return one origin's scores (those of the table `replay`, without its key) and calibration table."""
    model, units = _outlook(found, rivals.model), found.row.size
    chance = model.chance(found.horizon_days)
    by_draw = _expected(found, model.hazard_draws)
    expected = _expected(found, model.hazard)
    table = followed_calibration(chance, expected, by_draw, found.failed, groups=GROUPS, level=LEVEL)
    low, high = foretold_range(expected, by_draw, LEVEL)
    own, cohort, fleet = (
        _outlook(found, lives).log_probability(found.lower_days, found.upper_days)
        for lives in (rivals.model, rivals.cohort, rivals.fleet)
    )
    row: dict[str, object] = {
        "units": units,
        "unknown": found.unknown,
        "failures": int(found.failed.sum()),
        "expected_failures": float(expected.sum()),
        "expected_low": low,
        "expected_high": high,
        "observed": float(found.failed.mean()),
        "predicted": float(expected.mean()),
        "chance_by_horizon": float(chance.mean()),
        "log_score": float(own.mean()),
        "log_score_fleet": float(fleet.mean()),
        "log_score_cohort": float(cohort.mean()),
        "gain_fleet_se": _standard_error(own - fleet, found.site),
        "gain_cohort_se": _standard_error(own - cohort, found.site),
        "coverage": float(table["agrees"].to_numpy().mean()),
    }
    return row, table


def _outlook(found: FollowUp, lives: LifeDraws) -> Outlook:
    return Outlook(lives.take(found.row), found.since_days)


def _expected(found: FollowUp, hazard: Callable[[FloatArray], FloatArray]) -> FloatArray:
    upper = np.where(found.failed, found.upper_days, found.lower_days)
    low, high = hazard(found.lower_days), hazard(upper)
    failed = found.failed.reshape(-1, *(1,) * (low.ndim - 1))
    return expected_events(low, np.where(failed, high, np.inf))


def _standard_error(gain: FloatArray, site: NDArray[np.object_]) -> float:
    """Return the standard error of the mean gain; spells of one site go together."""
    _, place = np.unique(site.astype(str), return_inverse=True)
    by_site = np.bincount(place, weights=gain - gain.mean())
    return float(np.sqrt(np.sum(by_site**2)) / gain.size)
