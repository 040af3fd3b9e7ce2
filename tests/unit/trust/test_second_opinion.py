"""The second opinion agrees where both are right, has none where there is none, and shows a planted fault."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from fleetstats.errors import TrustError
from fleetstats.life import Lifetimes
from fleetstats.tables import TABLES
from fleetstats.trust import second_opinion as room
from fleetstats.trust.second_opinion import by_library, second_opinion


def planted(n: int = 300) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weibull lives of about a year: some heard of, some between two looks, some taken out, some watched late."""
    rng = np.random.default_rng(5)
    entry = np.where(np.arange(n) % 5 == 0, 90.0, 0.0)
    life = 365 * (rng.exponential(size=n) + (entry / 365) ** 2) ** 0.5
    kind = np.arange(n) % 3
    look = np.maximum(np.floor(life / 91) * 91, entry)
    lower = np.where(kind == 0, life, np.where(kind == 1, look, np.minimum(life, 182.0)))
    upper = np.where(kind == 0, life, np.where(kind == 1, look + 91, np.where(life > 182, np.inf, life)))
    return lower, upper, entry


def test_both_find_the_same_in_planted_lives_of_every_kind() -> None:
    lower, upper, entry = planted()
    found = second_opinion("lamp", Lifetimes(lower, upper, entry=entry))
    assert found.schema == TABLES["second_opinion"].of().schema
    assert found["opinion"].to_list() == ["agrees"] * 3
    assert found["spells"].to_list() == [300] * 3
    assert found["failures"].to_list() == [int(np.isfinite(upper).sum())] * 3
    assert found["median_days"][0] == pytest.approx(365 * np.log(2) ** 0.5, rel=0.1)


def test_sites_and_covariates_are_passed_over() -> None:
    lower, upper, entry = planted()
    told = pl.DataFrame({"roof": ["steel", "tile"] * 150})
    with_all = Lifetimes(lower, upper, entry=entry, site=list(range(100)) * 3, covariates=told)
    assert second_opinion("lamp", with_all).equals(
        second_opinion("lamp", Lifetimes(lower, upper, entry=entry))
    )


@pytest.mark.parametrize("fault", ["no late entry", "a tenth longer", "intervals as exact"])
def test_a_fault_in_our_fit_is_seen(monkeypatch: pytest.MonkeyPatch, fault: str) -> None:
    own_fit = room.fit_life

    def faulty(lives: Lifetimes, *args: object, **more: object) -> object:
        low, high, entry = lives.lower, lives.upper, lives.entry
        if fault == "no late entry":
            entry = 0 * entry
        elif fault == "a tenth longer":
            low, high, entry = 1.1 * low, 1.1 * high, 1.1 * entry
        else:
            low = np.where(np.isfinite(high), high, low)
        return own_fit(Lifetimes(low, high, entry=entry), *args, **more)

    monkeypatch.setattr(room, "fit_life", faulty)
    lower, upper, entry = planted()
    assert (
        second_opinion("lamp", Lifetimes(lower, upper, entry=entry))["opinion"].to_list() == ["differs"] * 3
    )


def test_a_small_fault_is_seen_too() -> None:
    own = {"median_days": 200.0, "sigma": 0.5, "log_likelihood": -900.0}
    assert room.compared(own, own)["opinion"] == "agrees"
    assert room.compared(own, own | {"median_days": 200.1})["opinion"] == "agrees"
    for fault in ({"median_days": 201.0}, {"sigma": 0.495}, {"log_likelihood": -900.01}):
        assert room.compared(own, own | fault)["opinion"] == "differs"


NONE = {
    "nothing ended": (Lifetimes([100.0, 200.0], [np.inf, np.inf]), "nothing has failed"),
    "all at one age": (Lifetimes([182.0] * 4, [182.0] * 4), "the ends agree so closely"),
    "one look at one age": (
        Lifetimes([0.0] * 3 + [182.0] * 9, [182.0] * 3 + [np.inf] * 9),
        "the lives do not determine",
    ),
    "all scaled at first look": (Lifetimes([0.0] * 4, [182.0] * 4), ""),
}


@pytest.mark.parametrize("case", NONE)
def test_no_opinion_where_maximum_likelihood_has_none(case: str) -> None:
    lives, reason = NONE[case]
    found = second_opinion("sleeve", lives)
    assert found["opinion"].to_list() == ["no opinion"] * 3
    assert all(found["reason"].str.starts_with(reason))
    assert all(found["reason"].str.len_chars() > 0)
    assert found["median_days_library"].null_count() == 3


def test_no_opinion_where_the_library_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    import lifelines
    from lifelines.exceptions import ConvergenceError

    def fails(*args: object, **more: object) -> None:
        raise ConvergenceError("no")

    monkeypatch.setattr(lifelines.LogNormalFitter, "fit_interval_censoring", fails)
    lower, upper, entry = planted()
    found = second_opinion("lamp", Lifetimes(lower, upper, entry=entry))
    assert found["opinion"].to_list() == ["agrees", "no opinion", "agrees"]
    assert found["reason"][1] == "the library finds no maximum"
    assert found["median_days"][1] > 0


def test_a_spell_so_far_in_the_tail_that_the_library_clips_it_is_left_out_of_both_and_counted() -> None:
    rng = np.random.default_rng(2)
    life = 100 * rng.weibull(8, size=400)
    lives = Lifetimes(np.append(life, 400.0), np.append(life, np.inf))
    found = second_opinion("lamp", lives, ["weibull"]).row(0, named=True)
    assert (found["left_out"], found["spells"], found["opinion"]) == (1, 400, "agrees")
    # had it gone in, the library would have passed over it without a word
    with pytest.raises(TrustError, match="clips"):
        by_library("weibull", lives, (np.log(100), 0.1))
