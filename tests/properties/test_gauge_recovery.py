"""Invented gauges with known truth: law, clean drop, noise and lives come out; planted faults have no power."""

from dataclasses import replace

import numpy as np
import pytest

from fleetstats.life import Lifetimes, fit_life, weak_priors
from fleetstats.life.blocking import Blocking
from fleetstats.life.gauge_cells import GaugeReadings, gauge_cells
from fleetstats.life.gauge_fit import fit_gauges, usable

PRIORS = weak_priors(182)
SITES, PER_SITE, TYPICAL, SIGMA, TAU = 150, 6, 300.0, 0.3, 0.5


def fleet(law, seed=3, spread_of_flow=0.0):
    """Return lives taken out at half a year if not spent before, their readings then, and each site's log life."""
    stream = np.random.default_rng(seed)
    site = np.repeat(np.arange(SITES), PER_SITE)
    effect = stream.normal(0, TAU, SITES)
    days = TYPICAL * np.exp(effect[site]) * stream.exponential(size=site.size) ** SIGMA
    visit = stream.uniform(150, 210, site.size)
    lives = Lifetimes(np.minimum(days, visit), np.where(days <= visit, days, np.inf), site=site)
    life = np.flatnonzero(days > visit)
    log_flow = spread_of_flow * stream.standard_normal(life.size)
    drop = law.drop(visit[life] / days[life]) * np.exp(
        log_flow + law.spread * stream.standard_normal(life.size)
    )
    drop = np.maximum(drop + law.gauge_kpa * stream.standard_normal(life.size), 1.0)
    wild = stream.random(life.size) < law.wild_share
    drop = np.where(wild, np.exp(stream.uniform(np.log(0.5), np.log(3000), life.size)), drop)
    read = stream.random(life.size) < 0.5
    readings = GaugeReadings(
        life, visit[life], drop, np.where(read, log_flow, 0.0), read, np.zeros((life.size, 1))
    )  # fmt: skip
    return lives, readings, effect


def medians_off(lives, effect, cells=None):
    """Return the RMS error of the sites' log lives, and what the fit says it is."""
    fit = fit_life(lives, priors=PRIORS, nodes=15, cells=cells)
    off = fit.estimate[0] - np.log(TYPICAL) + fit.site_effects["mean"].to_numpy() - effect
    return float(np.sqrt((off**2).mean())), float(np.sqrt((fit.site_effects["sd"].to_numpy() ** 2).mean()))


@pytest.mark.parametrize("index", [0.3, 1.0, 1.5, 1.9])
def test_law_clean_drop_and_noise_come_out(index):
    truth = Blocking(100.0, index=index, clean_kpa=14.0, spread=0.15, gauge_kpa=2.0, wild_share=0.03)
    lives, readings, effect = fleet(truth)
    found = fit_gauges(lives, readings, priors=PRIORS, limit_kpa=100.0)
    assert np.all(np.diff(found.log_joint) >= 0)
    assert len(found.log_joint) > 2
    off = [
        np.log(found.blocking.clean_kpa / 14.0), found.blocking.index - index,
        np.log(found.blocking.spread / 0.15),
    ]  # fmt: skip
    assert np.abs(np.array(off) / found.errors[:3]).max() < 3
    assert found.errors[:3] == pytest.approx([0.04, 0.15, 0.15], abs=0.12)
    assert found.blocking.wild_share < 0.08
    plain, _ = medians_off(lives, effect)
    own = usable(lives, readings)
    with_gauges, told = medians_off(lives, effect, gauge_cells(lives, own, found.blocking))
    assert with_gauges < 0.85 * plain
    assert told == pytest.approx(with_gauges, rel=0.25)


def test_a_flow_that_was_read_is_used():
    truth = Blocking(100.0, index=1.4, clean_kpa=14.0, spread=0.1, gauge_kpa=1.0, wild_share=0.01)
    lives, readings, _ = fleet(truth, spread_of_flow=0.3)
    found = fit_gauges(lives, readings, priors=PRIORS, limit_kpa=100.0)
    assert found.blocking.flow_spread == pytest.approx(0.3, abs=0.04)
    assert found.blocking.spread < 0.15
    blind = replace_flow(readings)
    assert fit_gauges(lives, blind, priors=PRIORS, limit_kpa=100.0).blocking.spread > 0.2


def replace_flow(readings):
    """Return the same readings, no flow read."""
    none = np.zeros(len(readings))
    return replace(readings, log_flow=none, flow_read=none > 1)


FAULTS = {
    "wild": lambda drop, stream: np.exp(stream.uniform(np.log(0.5), np.log(3000), drop.size)),
    "nothing shown": lambda drop, stream: np.zeros(drop.size),
    "psi": lambda drop, stream: drop / 6.895,
    "stuck high": lambda drop, stream: np.full(drop.size, 600.0),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_planted_faults_have_no_power_over_the_fit(fault):
    truth = Blocking(100.0, index=1.4, clean_kpa=14.0, spread=0.15, gauge_kpa=2.0, wild_share=0.01)
    lives, readings, effect = fleet(truth)
    stream = np.random.default_rng(8)
    hit = stream.random(len(readings)) < 0.05
    drop = np.where(hit, FAULTS[fault](readings.drop_kpa, stream), readings.drop_kpa)
    found = [
        fit_gauges(lives, read, priors=PRIORS, limit_kpa=100.0)
        for read in (readings, replace(readings, drop_kpa=drop))
    ]
    clean, faulty = (fit.blocking for fit in found)
    assert faulty.clean_kpa == pytest.approx(clean.clean_kpa, rel=0.05)
    assert faulty.index == pytest.approx(clean.index, abs=0.2)
    fits = [
        fit_life(lives, priors=PRIORS, nodes=15, cells=gauge_cells(lives, usable(lives, read), fit.blocking))
        for read, fit in zip((readings, replace(readings, drop_kpa=drop)), found, strict=True)
    ]
    a, b = (fit.estimate[0] + fit.site_effects["mean"].to_numpy() for fit in fits)
    plain = medians_off(lives, effect)[0]
    # sites move by far less than what the readings are worth
    assert np.sqrt(((a - b) ** 2).mean()) < 0.25 * plain
