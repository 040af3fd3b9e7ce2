"""The blocking laws against Hermia (1982), Trans. Inst. Chem. Eng. 60:183, at constant flow."""

import numpy as np
import pytest

from fleetstats.life.blocking import LAWS, Blocking, growth, share_spent

# drop over clean drop at half the capacity when it ends at 10x; own algebra from dR/dV = k R^n (computed)
AT_HALF = {"complete": 1.82, "standard": 2.31, "intermediate": 3.16, "cake": 5.50}


@pytest.mark.parametrize(("law", "ratio"), AT_HALF.items())
def test_drop_ratio_at_half_the_capacity(law, ratio):
    assert growth(0.5, 10.0, LAWS[law]) == pytest.approx(ratio, abs=0.005)


FORMS = {
    "complete": lambda k, s: 1 / (1 - k * s),
    "standard": lambda k, s: (1 - k * s / 2) ** -2,
    "intermediate": lambda k, s: np.exp(k * s),
    "cake": lambda k, s: 1 + k * s,
}
#: K that brings the ratio to C at the end, law by law
ENDS = {
    "complete": lambda c: 1 - 1 / c,
    "standard": lambda c: 2 * (1 - c**-0.5),
    "intermediate": np.log,
    "cake": lambda c: c - 1,
}


@pytest.mark.parametrize("law", FORMS)
def test_the_four_closed_forms(law):
    share = np.linspace(0, 1, 11)
    for end in (2.0, 6.5, 20.0):
        assert growth(share, end, LAWS[law]) == pytest.approx(FORMS[law](ENDS[law](end), share), rel=1e-12)


@pytest.mark.parametrize("index", [0.0, 0.4, 1.0, 1.3, 1.5, 2.0])
def test_the_drop_obeys_its_differential_equation(index):
    # dR/ds over R^n is one constant along the way
    share, h = np.linspace(0.05, 0.95, 10), 1e-6
    slope = (growth(share + h, 8.0, index) - growth(share - h, 8.0, index)) / (2 * h)
    constant = slope / growth(share, 8.0, index) ** index
    assert constant == pytest.approx(np.full(10, constant[0]), rel=1e-6)


@pytest.mark.parametrize("index", [0.0, 1.0, 1.5, 2.0])
def test_a_drop_tells_the_share_it_came_from_and_never_runs_off(index):
    share = np.array([0.0, 0.3, 0.9, 1.0])
    assert share_spent(growth(share, 7.0, index), 7.0, index) == pytest.approx(share, abs=1e-12)
    assert growth(50.0, 7.0, index) <= 14.0
    law = Blocking(100.0, index=index, clean_kpa=15.0)
    assert law.drop([0.0, 1.0]) == pytest.approx([15.0, 100.0])
    assert law.share([5.0, 15.0, 100.0]) == pytest.approx([0.0, 0.0, 1.0], abs=1e-12)
