"""Learns the life of every component and lays it out as tables."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from fleetstats.life.gauge_learn import Gauge, Housing, learn_gauges
from fleetstats.life.known_reasons import known_reasons
from fleetstats.life.learn import ComponentLife, housing, learn_component
from fleetstats.life.strata import strata_curves
from fleetstats.quantities import Z90
from fleetstats.settings import Settings
from fleetstats.store import Relations

#: Ages at which a unit's curve is kept: every two weeks to a year and a half.
CURVE_DAYS = np.arange(0.0, 40.0) * 14.0
_UNIT = ("site_id", "chapter", "component", "slot", "part_number")


def learn_fleet(
    relations: Relations, settings: Settings, *, draws: int = 200, gauges_used: bool = True
) -> dict[str, ComponentLife]:
    """Return what the records teach of every component that the settings define and the fleet holds.

    Parameters
    ----------
    relations : Relations
    settings : Settings
    draws : int
    gauges_used : bool
        Whether pressure readings count; looks back at the past do without, to be quick.
    """
    held = set(relations.in_place["component"])
    gauges = gauges_of(relations, settings) if gauges_used else {}
    return {
        name: learn_component(
            terms,
            spells=relations.spells,
            units=relations.in_place.filter(pl.col("component") == name).select(_UNIT),
            sites=relations.sites,
            as_of=relations.as_of,
            draws=draws,
            seed=place,
            gauge=gauges.get(name),
        )
        for place, (name, terms) in enumerate(settings.components.items())
        if name in held
    }


def gauges_of(relations: Relations, settings: Settings) -> dict[str, Gauge]:
    """Return what the pressure readings teach of each component that has a limit for its drop."""
    if relations.readings.is_empty():
        return {}
    return learn_gauges(housings_of(relations, settings), relations.readings, relations.stages_read)


def housings_of(relations: Relations, settings: Settings) -> dict[str, Housing]:
    """Return the components whose blocking a gauge can show, with what is known of their lives."""
    seen = set(relations.spells["component"])
    return {
        name: housing(terms, spells=relations.spells, sites=relations.sites)
        for name, terms in settings.components.items()
        if terms.pressure_limit_kpa is not None and name in seen
    }


def life_tables(lives: Mapping[str, ComponentLife], relations: Relations) -> dict[str, pl.DataFrame]:
    """Return the tables effects, known_reasons, families, site_life, life_curves and curves."""
    learned = list(lives.values())
    if not learned:
        return {}
    return {
        "effects": pl.concat([_effects(life) for life in learned]),
        "known_reasons": pl.concat([known_reasons(life) for life in learned]),
        "families": pl.concat([_families(life) for life in learned]),
        "site_life": pl.concat([_site_life(life) for life in learned]),
        "life_curves": pl.concat([_life_curves(life) for life in learned]),
        "curves": pl.concat([strata_curves(name, relations.spells, relations.sites) for name in lives]),
    }


def _effects(life: ComponentLife) -> pl.DataFrame:
    """Each term's time ratio over the families: estimates weighed, disagreement counted as width."""
    weights = life.average.weights
    terms = life.average.fits[0].coefficients["term"].to_list()
    estimate = np.stack([fit.coefficients["estimate"].to_numpy() for fit in life.average.fits])
    error = np.stack([fit.coefficients["standard_error"].to_numpy() for fit in life.average.fits])
    mean = weights @ estimate
    width = Z90 * np.sqrt(weights @ (error**2 + (estimate - mean) ** 2))
    table = pl.DataFrame(
        {
            "component": [life.component] * len(terms),
            "term": terms,
            "time_ratio": np.exp(mean),
            "low": np.exp(mean - width),
            "high": np.exp(mean + width),
            "spells": pl.Series([life.spells] * len(terms), dtype=pl.Int64),
            "failures": pl.Series([life.failures] * len(terms), dtype=pl.Int64),
            "against": [life.coding.levels.get(term.split("[")[0], ("",))[0] for term in terms],
        }
    )
    return table.filter(pl.col("term") != "intercept")


def _families(life: ComponentLife) -> pl.DataFrame:
    fits = life.average.fits
    return pl.DataFrame(
        {
            "component": [life.component] * len(fits),
            "family": [fit.family for fit in fits],
            "weight": life.average.weights,
            "sigma": [fit.sigma for fit in fits],
            "tau": [fit.tau for fit in fits],
            "log_evidence": [fit.log_evidence for fit in fits],
            "spells": pl.Series([life.spells] * len(fits), dtype=pl.Int64),
            "failures": pl.Series([life.failures] * len(fits), dtype=pl.Int64),
            "problem": [fit.problem for fit in fits],
        },
        schema_overrides={"log_evidence": pl.Float64, "problem": pl.String},
    )


def _site_life(life: ComponentLife) -> pl.DataFrame:
    own = life.units.select("site_id", "component", "slot", "spells", "failures")
    median = life.lives.median_life()
    relative = life.lives.relative_life()
    early = np.median(life.lives.quantile(0.1), axis=1)
    return own.select("site_id", "component", "slot").with_columns(
        *(median[name] for name in ("median_days", "low_days", "high_days")),
        pl.Series("p10_days", early),
        own["spells"],
        own["failures"],
        relative["relative_life"],
        relative["low"].alias("relative_low"),
        relative["high"].alias("relative_high"),
        pl.Series("worst_tenth_chance", life.lives.worst_chance(0.1)),
        pl.Series("like_days", np.median(life.alike.median(), axis=1)),
    )


def _life_curves(life: ComponentLife) -> pl.DataFrame:
    """Each unit's curve with the 90 % range of that site's own share, beside that of its kind."""
    units = life.units.height
    low, high = np.empty((units, CURVE_DAYS.size)), np.empty((units, CURVE_DAYS.size))
    for place, day in enumerate(CURVE_DAYS):
        share = life.lives.survival_draws(day)
        low[:, place], high[:, place] = np.quantile(share, (0.05, 0.95), axis=1)
    return life.units.select("site_id", "component", "slot").with_columns(
        pl.Series("days", np.tile(CURVE_DAYS, (units, 1)).tolist(), dtype=pl.List(pl.Float64)),
        *(
            pl.Series(name, np.round(values, 4).tolist(), dtype=pl.List(pl.Float64))
            for name, values in (
                ("survival", life.lives.survival(CURVE_DAYS)),
                ("low", low),
                ("high", high),
                ("like", life.alike.survival(CURVE_DAYS)),
            )
        ),
    )
