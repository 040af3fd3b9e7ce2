"""When units in place end, their own readings counted; and the drop at which one is changed."""

import numpy as np
import pytest

from fleetstats.life.blocking import Blocking
from fleetstats.life.draws import LifeDraws
from fleetstats.life.gauge_cells import GaugeReadings
from fleetstats.life.gauge_now import change_at, doubts, ends_now

LAW = Blocking(100.0, index=1.4, clean_kpa=15.0, spread=0.15, gauge_kpa=2.0, wild_share=0.02)
FAMILIES = ("lognormal",) * 3 + ("weibull",) * 2
GRID_KPA = np.arange(4.0, 101.0, 2.0)


@pytest.fixture
def draws():
    location = np.log(300) + np.array([[0.0, 0.1, -0.1, 0.05, 0.0], [0.6, 0.5, 0.7, 0.6, 0.65]])
    return LifeDraws(FAMILIES, location, np.array([0.3, 0.35, 0.25, 0.3, 0.28]), location - np.log(300))


def _reading(age, drop, flow_read=True):
    n = len(age)
    return GaugeReadings(
        np.zeros(n, dtype=np.intp),
        np.array(age, float),
        np.array(drop, float),
        np.zeros(n),
        np.full(n, flow_read),
        np.zeros((n, 1)),
    )


def _ends(draws, reading, unit=0, reached=120.0):
    return ends_now(
        draws, np.array([unit]), np.array([reached]), readings=reading, row=np.array([0]), blocking=LAW
    )


def test_without_a_reading_it_is_the_conditional_survival(draws):
    reached = np.array([100.0, 150.0])
    ends = ends_now(draws, np.array([0, 1]), reached)
    assert ends.chance.sum(axis=1) == pytest.approx([1.0, 1.0])
    for age in (180.0, 260.0, 500.0):
        expected = 1 - draws.conditional_survival(np.full(2, age), reached)
        assert ends.spent_by(np.full(2, age)) == pytest.approx(expected, abs=0.01)


def test_a_reading_moves_the_end_as_bayes_has_it(draws):
    age, drop = 120.0, 45.0
    ends = _ends(draws, _reading([age], [drop]))
    log_t = np.linspace(np.log(120.0), np.log(120.0) + 4, 40_001)
    posterior = np.zeros(log_t.size)
    for family, location, scale in zip(FAMILIES, draws.location[0], draws.scale, strict=True):
        z = (log_t - location) / scale
        prior = np.exp(-0.5 * z * z) if family == "lognormal" else np.exp(z - np.exp(z))
        weighed = prior * LAW.density(np.array(drop), LAW.drop(age / np.exp(log_t)), True)
        posterior += weighed / weighed.sum()
    below = np.cumsum(posterior) / posterior.sum()
    for p in (0.05, 0.5, 0.95):
        assert ends.quantile(p)[0] == pytest.approx(np.exp(log_t[np.searchsorted(below, p)]), rel=0.03)
    by_then = below[np.searchsorted(log_t, np.log(200.0))]
    assert ends.spent_by(np.array([200.0]))[0] == pytest.approx(by_then, abs=0.02)


def test_a_higher_reading_means_an_earlier_end(draws):
    middles = [_ends(draws, _reading([120.0], [drop])).quantile(0.5)[0] for drop in (16.0, 30.0, 60.0, 90.0)]
    assert np.all(np.diff(middles) < 0)


def test_a_wild_reading_is_doubted_and_moves_nothing(draws):
    wild, fair = _reading([120.0], [1500.0]), _reading([120.0], [30.0])
    plain = ends_now(draws, np.array([0]), np.array([120.0]))
    ends = _ends(draws, wild)
    assert ends.quantile(0.5) == pytest.approx(plain.quantile(0.5), rel=0.02)
    assert doubts(ends, wild, np.array([0]), LAW)[0] > 0.95
    assert doubts(_ends(draws, fair), fair, np.array([0]), LAW)[0] < 0.1


def test_the_number_at_the_stop_is_where_the_chance_is_met(draws):
    ends = ends_now(draws, np.array([0, 1]), np.array([100.0, 100.0]))
    until = np.array([190.0, 290.0])
    found = change_at(ends, np.array([150.0, 150.0]), until, LAW, most_chance=0.1, grid_kpa=GRID_KPA)
    assert (found > 20).all()

    def chance(unit, drop):
        told = _ends(draws, _reading([150.0], [drop], flow_read=False), unit, reached=150.0)
        return told.spent_by(until[[unit]])[0]

    # these draws do not rest on the reading: weighed by it, as at the stop, they give a little more
    for unit in (0, 1):
        assert 0.08 <= chance(unit, found[unit]) < 0.13
        assert chance(unit, found[unit] - 4) < 0.1


def test_a_sooner_next_visit_bears_a_higher_reading_and_an_old_unit_none(draws):
    ends = ends_now(draws, np.array([0, 0]), np.array([60.0, 60.0]))
    soon, late = change_at(
        ends, np.full(2, 100.0), np.array([130.0, 200.0]), LAW, most_chance=0.1, grid_kpa=GRID_KPA
    )
    assert soon > late
    never = change_at(ends, np.full(2, 250.0), np.full(2, 900.0), LAW, most_chance=0.1, grid_kpa=GRID_KPA)
    assert (never == 0).all()
