"""The score of early deaths: by hand on a constant hazard."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from fleetstats.life.draws import LifeDraws
from fleetstats.trust.outlook import Outlook

spec = importlib.util.spec_from_file_location("early_deaths", Path(__file__).with_name("early_deaths.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study  # its dataclasses look their module up
spec.loader.exec_module(study)

INF = np.inf


def lamps(lower, upper, entry):
    """Lamps with a hazard of 1/1000 a day."""
    place = np.full((len(lower), 2), np.log(1000.0))
    draws = LifeDraws(("weibull",) * 2, place, np.ones(2), np.zeros_like(place))
    entry, lower, upper = (np.array(column, dtype=float) for column in (entry, lower, upper))
    return study.Half(Outlook(draws, entry), entry, lower, upper)


def test_what_the_first_weeks_hold_beyond_the_curve():
    # two of four fail by day 60, foretold are (10 + 20 + 60 + 60) / 1000; one seen from 100 on does not count
    half = lamps([10, 20, 80, 400, 300], [10, 20, INF, 400, INF], [0, 0, 0, 0, 100])
    assert half.early_share() == pytest.approx((2 - 0.150) / 4)
    assert lamps([80], [INF], [0]).early_share() == 0.0


def test_gain_by_hand():
    half = lamps([10, 90, 90], [10, INF, 120], [0, 0, 60])
    good = 0.98 + 0.02 * np.exp(-np.array([0, 9, 10, 60, 90, 120]) / 25)
    still = np.exp(-np.array([0, 9, 10, 60, 90, 120]) / 1000)
    both = good * still
    with_early = [both[1] - both[2], both[4], (both[4] - both[5]) / both[3]]
    without = [still[1] - still[2], still[4], (still[4] - still[5]) / still[3]]
    assert half.gain(0.02) == pytest.approx(np.log(np.array(with_early) / np.array(without)))
    assert half.gain(0.0) == pytest.approx(np.zeros(3), abs=1e-12)
