"""What one component's spells teach: the life of the next spell at every site, and why sites differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetstats.life.covariates import KNOWN_DIRECTION, Coding, choose_coding, water_facts
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.predict import FamilyAverage, LifeDraws, average_families, draw_lives
from fleetstats.life.priors import weak_priors

FAMILIES_WEIGHED = ("weibull", "lognormal", "loglogistic")
#: Lamps of one kind age alike; cartridges and sleeves differ much more from site to site.
TAU_MEDIAN_LAMP, TAU_MEDIAN = 0.15, 0.4
#: Ages in days at which a unit's curve is kept: weekly to two years.
CURVE_DAYS = np.arange(0.0, 105.0) * 7.0


@dataclass(frozen=True, slots=True)
class ComponentLife:
    """The learned life of one component.

    Attributes
    ----------
    component : str
    coding : Coding
    average : FamilyAverage
        Families fitted, with their weights.
    units : polars frame, n rows
        site_id, chapter, component, slot, part_number, spells, failures, site_spells, site_failures.
    lives : LifeDraws
        Life of the next spell of each unit, rows as `units`.
    alike : LifeDraws
        The same for sites like each unit's that have no records of their own.
    spells, failures : int
        What it was learned from.
    """

    component: str
    coding: Coding
    average: FamilyAverage
    units: pl.DataFrame
    lives: LifeDraws
    alike: LifeDraws
    spells: int
    failures: int


def learn_component(
    component: str,
    *,
    spells: pl.DataFrame,
    units: pl.DataFrame,
    sites: pl.DataFrame,
    customary_days: float,
    draws: int = 200,
    seed: int = 0,
) -> ComponentLife:
    """Return what the spells of `component` teach about the next spell of each of `units`.

    Parameters
    ----------
    component : str
    spells : polars frame
        The relation `spells`; rows of other components are passed over.
    units : polars frame, n rows
        site_id, chapter, component, slot, part_number: the places that need a prediction (all of this component).
    sites : polars frame
        The relation `sites`.
    customary_days : float
        The trade's interval, where the prior of the intercept is centred.
    draws, seed : int
        Posterior draws, and the seed that makes them repeatable.
    """
    own = spells.filter(pl.col("component") == component).sort("spell_id")
    facts = water_facts(own, sites)
    coding = choose_coding(component, facts)
    lives = _lifetimes(own, coding.frame(facts))
    known = {name: prior for name, prior in KNOWN_DIRECTION.items() if name in coding.numbers}
    priors = weak_priors(
        customary_days,
        tau_median=TAU_MEDIAN_LAMP if component == "uv_lamp" else TAU_MEDIAN,
        by_term=known,
    )
    average = average_families(lives, families=FAMILIES_WEIGHED, priors=priors)
    counted = _with_counts(units, own)
    covariates = coding.frame(water_facts(counted, sites))
    nobody = [None] * counted.height
    return ComponentLife(
        component,
        coding,
        average,
        counted,
        draw_lives(average, covariates=covariates, sites=_groups(counted), draws=draws, seed=seed),
        draw_lives(average, covariates=covariates, sites=nobody, draws=draws, seed=seed),
        own.height,
        int(own.select(np.isfinite(own["upper_days"].to_numpy()).sum()).item()) if own.height else 0,
    )


def _lifetimes(own: pl.DataFrame, covariates: pl.DataFrame) -> Lifetimes:
    if own.height == 0:
        # One spell watched for a moment carries no information: the priors speak alone.
        return Lifetimes([1.0], [np.inf], site=["nobody"])
    return Lifetimes(
        own["lower_days"].to_numpy(),
        own["upper_days"].to_numpy(),
        entry=own["entry_days"].to_numpy(),
        site=_groups(own),
        covariates=covariates if covariates.width else None,
    )


def _groups(frame: pl.DataFrame) -> list[str]:
    """A group of the life model is one chapter of one site."""
    return (frame["chapter"].cast(pl.String) + pl.lit("/") + frame["site_id"]).to_list()


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
