"""An analysis is held against the one of an earlier day in the same store, and made again changes nothing."""

import shutil
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from fleetstats import pipeline
from fleetstats.pipeline.since_last import EARLIER, earlier_intervals, plan_fingerprint, since_last
from fleetstats.settings import default_settings, settings_from
from fleetstats.store import Store

OF_THE_LOADS = {"loads", "refused", "corrections"}
#: What an analysis as of 400 days before is made to have advised: so many days more for these many units.
MOVED_DAYS, MOVED = 21, 5


def kept(store: Path) -> dict[str, pl.DataFrame]:
    with Store(store, read_only=True) as held:
        return {name: held.table(name) for name in sorted(set(held.tables()) - OF_THE_LOADS)}


@pytest.fixture(scope="module")
def twice(built_sample: Path, tmp_path_factory: pytest.TempPathFactory):
    """The tables of the first analysis, of the second after one of an earlier day, and the store."""
    store = shutil.copy(built_sample / "fleet.duckdb", tmp_path_factory.mktemp("since") / "fleet.duckdb")
    first = kept(store)
    latest = first["analysis"]["as_of"][0]
    days = pl.col("interval_days") + MOVED_DAYS * (pl.int_range(pl.len()) < MOVED)
    before = {**first, "intervals": first["intervals"].with_columns(interval_days=days)}
    with Store(store) as held:
        held.keep(before, as_of=latest - timedelta(days=400))
    pipeline.analyse(store=store, settings=default_settings(), as_of=None, progress=lambda _: None)
    return first, kept(store), store


def test_the_first_analysis_is_held_against_none(twice) -> None:
    assert twice[0][EARLIER].is_empty()
    assert "plan_changes" not in twice[0]


def test_the_second_is_held_against_the_one_of_an_earlier_day(twice) -> None:
    first, second, _ = twice
    day = first["analysis"]["as_of"][0] - timedelta(days=400)
    assert second[EARLIER]["as_of"].unique().to_list() == [day]
    changed = second["plan_changes"].drop_nulls("component")
    key = ["site_id", "component", "slot"]
    assert sorted(changed.select(key).rows()) == sorted(first["intervals"].head(MOVED).select(key).rows())
    assert (changed["interval_before_days"] - changed["interval_days"]).to_list() == [MOVED_DAYS] * MOVED
    assert changed["since"].unique().to_list() == [day]
    assert "settings" not in set(second["plan_changes"]["reason"])


def test_an_analysis_made_again_says_the_same(twice) -> None:
    first, second, _ = twice
    assert second.keys() - first.keys() == {"plan_changes"}
    assert [name for name in first if not first[name].equals(second[name])] == [EARLIER]


def test_nothing_is_taken_from_the_same_or_a_later_day(twice, tmp_path: Path) -> None:
    first, second, built = twice
    store = shutil.copy(built, tmp_path / "fleet.duckdb")
    latest = second["analysis"]["as_of"][0]

    def against(as_of: date) -> dict[str, pl.DataFrame]:
        with Store(store) as held:
            known = held.relations(as_of=as_of, settings=default_settings())
            return since_last(
                earlier_intervals(held, as_of=as_of), second["intervals"], known, default_settings()
            )

    again = against(latest)
    assert again["plan_changes"].equals(second["plan_changes"])
    assert again[EARLIER].equals(second[EARLIER])
    longer_ago = latest - timedelta(days=460)
    found = against(longer_ago)
    assert "plan_changes" not in found
    assert found[EARLIER]["as_of"].n_unique() == 2, "kept for the days to come"
    with Store(store) as held:
        held.keep({**first, **found}, as_of=longer_ago)
    assert against(latest)["plan_changes"].equals(second["plan_changes"])


def test_only_what_a_plan_rests_on_makes_other_settings() -> None:
    def of(**values: object) -> str:
        return plan_fingerprint(settings_from(values, origin="a file"))

    plain = plan_fingerprint(default_settings())
    assert of(contact="the office", crew_stops_per_week=9) == plain
    assert of(trip_cost=default_settings().trip_cost) == plain, "the same value, written down"
    assert of(trip_cost=1.0) != plain
    assert of(component={"uv_lamp": {"planned_cost": 1.0}}) != plain
