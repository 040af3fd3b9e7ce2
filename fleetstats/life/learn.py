"""What one component's spells teach: the life of the next spell at every site, and why sites differ."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from fleetstats.components import Component
from fleetstats.errors import LifeError
from fleetstats.life.covariates import KNOWN_DIRECTION, WaterCoding, choose_coding, water_facts
from fleetstats.life.draws import LifeDraws
from fleetstats.life.gauge_learn import Gauge, Housing
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.predict import FamilyAverage, average_families, draw_lives, moved_lives
from fleetstats.life.priors import Priors, weak_priors

FAMILIES_WEIGHED = ("weibull", "lognormal", "loglogistic")
#: What is usual is told by the last fittings, so that a change of part for good is taken up.
LAST_FITTINGS = 5
_PLACE = ("site_id", "component", "slot")


@dataclass(frozen=True, slots=True)
class ComponentLife:
    """The learned life of one component.

    Attributes
    ----------
    component : str
    coding : WaterCoding
    average : FamilyAverage
        Families fitted, with their weights.
    units : polars frame, n rows
        site_id, chapter, component, slot, part_number, spells, failures, site_spells, site_failures.
    covariates : polars frame, n rows, or None
        As coded for the life of the next spell, rows as `units`.
    lives : LifeDraws
        Life of the next spell of each unit, rows as `units`.
    spells, failures : int
        What it was learned from.
    seed : int
        Of the draws.
    gauge : Gauge or None
        What its pressure readings taught; None without readings.
    """

    component: str
    coding: WaterCoding
    average: FamilyAverage
    units: pl.DataFrame
    covariates: pl.DataFrame | None
    lives: LifeDraws
    spells: int
    failures: int
    seed: int = 0
    gauge: Gauge | None = None

    @property
    def alike(self) -> LifeDraws:
        """Return the life at sites like each unit's, neither better nor worse than its kind: u = 0."""
        own = self.lives
        return LifeDraws(own.family, own.location - own.site_effect, own.scale, 0.0 * own.site_effect)


def learn_component(
    component: Component,
    *,
    spells: pl.DataFrame,
    units: pl.DataFrame,
    sites: pl.DataFrame,
    as_of: date,
    draws: int = 200,
    seed: int = 0,
    facts_used: bool = True,
    site_effect: bool = True,
    gauge: Gauge | None = None,
) -> ComponentLife:
    """Return what the spells of a component teach about the next spell of each of `units`.

    Parameters
    ----------
    component : Component
    spells : polars frame
        The relation `spells`; rows of other components are passed over.
    units : polars frame, n rows
        site_id, chapter, component, slot, part_number: the places that need a prediction.
    sites : polars frame
        The relation `sites`.
    as_of : date
        The day on which the next spell is taken to begin.
    draws, seed : int
        Posterior draws, and the seed that makes them repeatable.
    facts_used, site_effect : bool
        False leaves out what is known of the sites, or that sites differ: the rivals of the model.
    gauge : Gauge, optional
        What the pressure readings of these spells taught.
    """
    own = spells.filter(pl.col("component") == component.name).sort("spell_id")
    facts = water_facts(own, sites)
    coding = choose_coding(component.role, facts) if facts_used else WaterCoding((), {})
    priors = priors_of(component, coding)
    average = average_families(
        lifetimes(own, coding.frame(facts)),
        families=FAMILIES_WEIGHED,
        priors=priors,
        site_effect=site_effect,
        cells=None if gauge is None else gauge.cells,
    )
    counted = _with_counts(units, own)
    covariates = _any(coding.frame(water_facts(counted.with_columns(fitted_on=pl.lit(as_of)), sites)))
    drawn = draw_lives(average, covariates=covariates, sites=groups(counted), draws=draws, seed=seed)
    failures = int(own["upper_days"].is_finite().sum())
    return ComponentLife(
        component.name, coding, average, counted, covariates, drawn, own.height, failures, seed, gauge
    )


def housing(component: Component, *, spells: pl.DataFrame, sites: pl.DataFrame) -> Housing:
    """Return the spells of one component as its gauges are learned from; arguments as `learn_component`.

    Raises
    ------
    LifeError
        If the component has no drop at the end of its life.
    """
    if component.pressure_limit_kpa is None:
        raise LifeError(f"component '{component.name}': no pressure_limit_kpa; gauges need one; give it")
    own = spells.filter(pl.col("component") == component.name).sort("spell_id")
    facts = water_facts(own, sites)
    coding = choose_coding(component.role, facts)
    return Housing(
        lifetimes(own, coding.frame(facts)),
        own["spell_id"].to_numpy().astype(np.int64),
        priors_of(component, coding),
        component.pressure_limit_kpa,
    )


def priors_of(component: Component, coding: WaterCoding) -> Priors:
    """Return the weak priors of a component whose facts are coded so."""
    return weak_priors(
        component.customary_days,
        tau_median=component.role.sites_differ,
        by_term={name: prior for name, prior in KNOWN_DIRECTION.items() if name in coding.numbers},
    )


def draws_for_new(life: ComponentLife, facts: pl.DataFrame, *, draws: int = 200, seed: int = 0) -> LifeDraws:
    """Return draws of the life of a unit at sites without records, one row for each row of `facts`.

    Parameters
    ----------
    life : ComponentLife
    facts : polars frame, n rows
        As returned by `water_facts`.
    draws, seed : int
    """
    return draw_lives(
        life.average,
        covariates=_any(life.coding.frame(facts)),
        sites=[None] * facts.height,
        draws=draws,
        seed=seed,
    )


def draws_for_spells(
    life: ComponentLife, own: pl.DataFrame, facts: pl.DataFrame, *, draws: int = 200, seed: int = 0
) -> LifeDraws:
    """Return draws of the lives of recorded spells, as all of the records tell of their sites.

    Parameters
    ----------
    life : ComponentLife
    own : polars frame, n rows
        site_id, chapter.
    facts : polars frame, n rows
        As returned by `water_facts` for `own`.
    draws, seed : int
    """
    covariates = _any(life.coding.frame(facts))
    return draw_lives(life.average, covariates=covariates, sites=groups(own), draws=draws, seed=seed)


def usual_parts(units: pl.DataFrame, spells: pl.DataFrame) -> pl.DataFrame:
    """Return `units` with the part most often among the last five fitted there; the latest where some tie.

    A place where no part is on record keeps what `units` says.

    Parameters
    ----------
    units : polars frame, n rows
        site_id, component, slot, part_number.
    spells : polars frame
        site_id, component, slot, part_number, fitted_on.
    """
    fitted = (
        spells.filter(pl.col("part_number").is_not_null())
        .sort(*_PLACE, "fitted_on")
        .with_columns(before=pl.int_range(pl.len(), 0, -1).over(*_PLACE))
        .filter(pl.col("before") <= LAST_FITTINGS)
    )
    usual = (
        fitted.group_by(*_PLACE, "part_number")
        .agg(pl.len().alias("times"), pl.col("before").min())
        .sort(*_PLACE, "times", "before", descending=[False, False, False, True, False])
        .unique(_PLACE, keep="first", maintain_order=True)
        .select(*_PLACE, usual="part_number")
    )
    joined = units.join(usual, on=list(_PLACE), how="left", maintain_order="left")
    return joined.with_columns(part_number=pl.coalesce("usual", "part_number")).drop("usual")


def life_ahead(
    life: ComponentLife, *, spells: pl.DataFrame, sites: pl.DataFrame, as_of: date
) -> ComponentLife:
    """Return what was learned, with `lives` and `covariates` of the part usually fitted at each place.

    What is known of the sites, and each draw of what is not, stay as they were.

    Parameters
    ----------
    life : ComponentLife
    spells, sites : polars frames
        The relations of these names; spells of other components are passed over.
    as_of : date
        The day on which the next spell is taken to begin.
    """
    own = spells.filter(pl.col("component") == life.component)
    usual = usual_parts(life.units, own)
    if life.covariates is None or usual["part_number"].equals(life.units["part_number"]):
        return life
    then = life.coding.frame(water_facts(usual.with_columns(fitted_on=pl.lit(as_of)), sites))
    moved = moved_lives(life.average, life.lives, now=life.covariates, then=then, seed=life.seed)
    return replace(life, covariates=then, lives=moved)


def lifetimes(own: pl.DataFrame, covariates: pl.DataFrame) -> Lifetimes:
    """Return the spells of one component as lifetimes with these covariates, grouped by chapter of a site."""
    if own.height == 0:
        # One spell watched for a moment carries no information: the priors speak alone.
        return Lifetimes([1.0], [np.inf], site=["nobody"])
    return Lifetimes(
        own["lower_days"].to_numpy(),
        own["upper_days"].to_numpy(),
        entry=own["entry_days"].to_numpy(),
        site=groups(own),
        covariates=_any(covariates),
    )


def _any(covariates: pl.DataFrame) -> pl.DataFrame | None:
    """Return the covariates, None where there is no column (and so, for polars, no row)."""
    return covariates if covariates.width else None


def groups(frame: pl.DataFrame) -> list[str]:
    """Return the group of each row in the life model: one chapter of one site."""
    return frame.select(pl.format("{}/{}", "chapter", "site_id")).to_series().to_list()


def _with_counts(units: pl.DataFrame, own: pl.DataFrame) -> pl.DataFrame:
    ended = pl.col("upper_days").is_finite()
    by_unit = own.group_by("site_id", "slot").agg(pl.len().alias("spells"), ended.sum().alias("failures"))
    by_site = own.group_by("site_id").agg(pl.len().alias("site_spells"), ended.sum().alias("site_failures"))
    counts = ("spells", "failures", "site_spells", "site_failures")
    return (
        units.join(by_unit, on=["site_id", "slot"], how="left", maintain_order="left")
        .join(by_site, on="site_id", how="left", maintain_order="left")
        .with_columns(pl.col(name).fill_null(0).cast(pl.Int64) for name in counts)
    )
