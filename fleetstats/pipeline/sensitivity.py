"""How far the intervals move when the records are read in another way, or the priors are left off."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.life.covariates import water_facts
from fleetstats.life.draws import LifeDraws
from fleetstats.life.fit import fit_life
from fleetstats.life.learn import ComponentLife, groups, lifetimes, priors_of
from fleetstats.life.life_fit import LifeFit
from fleetstats.life.predict import FamilyAverage, draw_lives
from fleetstats.pipeline.in_force import TodaysRule
from fleetstats.pipeline.plans import plan_visits_with
from fleetstats.settings import Settings
from fleetstats.store import Relations
from fleetstats.tables import TABLES

#: Sites whose intervals are chosen anew, spread evenly over the served ones; draws of their lives; quadrature
#: nodes of the refit, enough for a comparison.
SITES, DRAWS, NODES = 80, 20, 9
#: What "nearly spent" is taken to mean: spent before another quarter of the age reached.
NEARLY = 1.25
LOADED = "loaded"
_UNIT = ("site_id", "component", "slot")


@dataclass(frozen=True, slots=True)
class _Reading:
    """Another reading of one component's spells.

    Attributes
    ----------
    told : str
    spells : polars frame
    changed : int
        Spells that are read otherwise, or counted only here.
    priors : bool
    """

    told: str
    spells: pl.DataFrame
    changed: int
    priors: bool = True


def sensitivity(
    relations: Relations,
    settings: Settings,
    lives: Mapping[str, ComponentLife],
    units: pl.DataFrame,
    rule: TodaysRule,
) -> pl.DataFrame:
    """Return how far intervals move under each other reading, one row a component and reading that matters.

    Gauge readings are left out of all of them. Refitted in the family that weighs most, and planned again, at
    up to `SITES` sites; what is compared with is planned from that family and those draws too, so that the
    reading is all that differs.

    Parameters
    ----------
    relations : Relations
    settings : Settings
    lives : mapping of component to ComponentLife
    units : polars frame
        As in `FleetPlan`.
    rule : TodaysRule

    Returns
    -------
    polars frame
        component, assumption, shift_days (mean change of the interval), shift_low_days and shift_high_days
        (nine sites in ten), sites, life_ratio (geometric mean of site medians, over those believed),
        spells_changed, problem (why the lives alone have no full answer; "" if they have).
    """
    some = _some_sites(relations.sites)
    base = {name: _drawn(life, _without_gauges(life, relations, settings)) for name, life in lives.items()}

    def planned(draws: Mapping[str, LifeDraws]) -> pl.DataFrame:
        found = plan_visits_with(relations, settings, units, draws, rule, some)
        return found.intervals.select(*_UNIT, "interval_days")

    believed = planned(base)
    readings = {name: list(_readings(name, relations, settings)) for name in lives}
    rows: list[dict[str, object]] = []
    for told in dict.fromkeys(reading.told for found in readings.values() for reading in found):
        own = {name: reading for name, found in readings.items() for reading in found if reading.told == told}
        fits = {name: _refit(lives[name], reading, relations, settings) for name, reading in own.items()}
        draws = {name: _drawn(lives[name], fit) for name, fit in fits.items()}
        moved = believed.join(planned({**base, **draws}), on=_UNIT, suffix="_then", how="inner")
        for name, reading in own.items():
            shift = moved.filter(pl.col("component") == name)
            ratio = float(np.exp(np.mean(np.log(draws[name].median() / base[name].median()))))
            key = {"component": name, "assumption": told, "spells_changed": reading.changed}
            rows.append(key | _shift(shift) | {"life_ratio": ratio, "problem": fits[name].problem})
    return TABLES["sensitivity"].of(rows)


def _some_sites(sites: pl.DataFrame) -> pl.DataFrame:
    """Return the sites with at most `SITES` of them served, spread evenly."""
    served = sites.filter(pl.col("served"))["site_id"].sort().to_list()
    step = max(1, -(-len(served) // SITES))
    return sites.with_columns(served=pl.col("served") & pl.col("site_id").is_in(served[::step]))


def _best(life: ComponentLife) -> LifeFit:
    return life.average.fits[int(life.average.weights.argmax())]


def _without_gauges(life: ComponentLife, relations: Relations, settings: Settings) -> LifeFit:
    """Return the fit that other readings of the records are held against: gauges left out on both sides."""
    if life.gauge is None:
        return _best(life)
    own = relations.spells.filter(pl.col("component") == life.component).sort("spell_id")
    return _refit(life, _Reading("", own, 0), relations, settings)


def _drawn(life: ComponentLife, fit: LifeFit) -> LifeDraws:
    """Return draws of one fit; the same seed whatever the reading, so that chance differs in nothing."""
    return draw_lives(
        FamilyAverage((fit,), np.ones(1)), covariates=life.covariates, sites=groups(life.units), draws=DRAWS
    )


def _refit(life: ComponentLife, reading: _Reading, relations: Relations, settings: Settings) -> LifeFit:
    own = settings.component(life.component)
    return fit_life(
        lifetimes(reading.spells, life.coding.frame(water_facts(reading.spells, relations.sites))),
        _best(life).family,
        priors=priors_of(own, life.coding) if reading.priors else None,
        nodes=NODES,
    )


def _shift(moved: pl.DataFrame) -> dict[str, object]:
    days = (moved["interval_days_then"] - moved["interval_days"]).drop_nulls().to_numpy()
    if not days.size:
        return {"shift_days": None, "shift_low_days": None, "shift_high_days": None, "sites": 0}
    low, high = np.quantile(days, (0.05, 0.95))
    sites = moved["site_id"].n_unique()
    return {"shift_days": days.mean(), "shift_low_days": low, "shift_high_days": high, "sites": sites}


def _readings(component: str, relations: Relations, settings: Settings) -> list[_Reading]:
    """Return the readings that change anything, those without priors and without records last."""
    own = relations.spells.filter(pl.col("component") == component).sort("spell_id")
    if own.is_empty():
        return []
    tried: tuple[tuple[str, Callable[[], tuple[pl.DataFrame, int]]], ...] = (
        ("loaded counts as nearly spent", lambda: _loaded_as_nearly_spent(own)),
        ("unknown finding counts as spent", lambda: _unknown_as_spent(own, relations)),
        ("found spent means spent of late", lambda: _found_of_late(own, component, settings)),
        ("fittings during passing changes left out", lambda: _untouched(own)),
    )
    found = [_Reading(told, *reading()) for told, reading in tried]
    kept = [reading for reading in found if reading.changed]
    return [
        *kept,
        _Reading("records alone, priors off", own, own.height, priors=False),
        _Reading("custom alone, records off", _unsaid(own), own.height),
    ]


def _loaded_as_nearly_spent(own: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    loaded = (pl.col("ended_how") == "taken_out") & (pl.col("end_condition") == LOADED)
    changed = own.select(loaded.fill_null(False).sum()).item()
    nearly = pl.when(loaded).then(pl.col("lower_days") * NEARLY).otherwise("upper_days")
    return own.with_columns(upper_days=nearly), int(changed)


def _unknown_as_spent(own: pl.DataFrame, relations: Relations) -> tuple[pl.DataFrame, int]:
    """Units that came out unseen end there; those left out because nothing was known of them come back."""
    age = (pl.col("ended_on") - pl.col("fitted_on")).dt.total_days().cast(pl.Float64)
    unknown = (pl.col("ended_how") == "unknown") & (age > pl.col("entry_days"))
    first = relations.sites.select("site_id", "first_visit_on")
    back = (
        relations.left_out.filter(
            pl.col("component") == own["component"][0],
            pl.col("reason") == "nothing_known",
            pl.col("ended_how") == "unknown",
        )
        .join(first, on="site_id", how="left", maintain_order="left")
        # fitted before anyone looked: how long it had to last to be seen at all is not known here
        .filter(pl.col("fitted_on") >= pl.col("first_visit_on"), age > 0)
        .with_columns(lower_days=pl.lit(0.0), upper_days=age, entry_days=pl.lit(0.0))
    )
    ended = own.with_columns(upper_days=pl.when(unknown).then(age).otherwise("upper_days"))
    filled = back.select(
        (pl.col(name) if name in back.columns else pl.lit(None)).cast(kind).alias(name)
        for name, kind in own.schema.items()
    )
    changed = int(own.select(unknown.fill_null(False).sum()).item()) + back.height
    return pl.concat([ended, filled]).sort("spell_id"), changed


def _untouched(own: pl.DataFrame) -> tuple[pl.DataFrame, int]:
    """Without what a drought, ash, an empty house or a cleaning touched, unless nothing else is left."""
    untouched = own.filter(pl.col("flags").is_null())
    return (untouched, own.height - untouched.height) if untouched.height else (own, 0)


def _unsaid(own: pl.DataFrame) -> pl.DataFrame:
    """The same fittings, each seen for no time at all: the priors alone speak, of the same kinds of sites."""
    seen = pl.max_horizontal(pl.col("lower_days"), 1.0)
    return own.with_columns(lower_days=seen, entry_days=seen, upper_days=pl.lit(float("inf")))


def _found_of_late(own: pl.DataFrame, component: str, settings: Settings) -> tuple[pl.DataFrame, int]:
    """An announced failure that a visit finds happened within the notice that households take."""
    if not settings.component(component).announced:
        return own, 0
    since = (pl.col("upper_days") - settings.notice_days).clip(lower_bound=0.0)
    late = (pl.col("ended_how") == "found_spent") & (since > pl.col("lower_days"))
    return (
        own.with_columns(lower_days=pl.when(late).then(since).otherwise("lower_days")),
        int(own.select(late.fill_null(False).sum()).item()),
    )
