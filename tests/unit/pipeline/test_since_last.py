"""Two analyses in one store: the second is held against the first, and made again changes nothing."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from fleetstats import pipeline
from fleetstats.pipeline.since_last import settings_fingerprint
from fleetstats.sample import write_sample
from fleetstats.settings import default_settings, settings_from, settings_toml
from fleetstats.store import Store

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("since_last")


def quiet(_: str) -> None:
    """Say nothing."""


@pytest.fixture(scope="module")
def analysed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, date]:
    folder = tmp_path_factory.mktemp("since")
    write_sample(12, folder / "records", seed=8)
    store = folder / "fleet.duckdb"
    pipeline.load([folder / "records"], store=store, settings=default_settings(), today=date(2026, 11, 25), progress=quiet)  # fmt: skip
    with Store(store) as held:
        latest = held.latest_visit()
    assert latest is not None
    return store, latest


def run(store: Path, as_of: date) -> dict[str, pl.DataFrame]:
    pipeline.analyse(store=store, settings=default_settings(), as_of=as_of, progress=quiet)
    with Store(store) as held:
        names = set(held.tables()["table"]) - {"loads"}
        return {name: held.table(name) for name in sorted(names)}


def test_the_second_analysis_is_held_against_the_first(analysed: tuple[Path, date]) -> None:
    store, latest = analysed
    first_day = latest - timedelta(days=400)
    first = run(store, first_day)
    assert "earlier_intervals" not in first, "a frame without columns is not kept"
    assert "plan_changes" not in first
    second = run(store, latest)
    assert second["earlier_intervals"]["as_of"].unique().to_list() == [first_day]
    changed = second["plan_changes"]
    assert changed.height
    was = first["intervals"].select("site_id", "component", "slot", before="interval_days")
    now = second["intervals"].select("site_id", "component", "slot", now="interval_days")
    both = changed.drop_nulls("component").join(was, on=["site_id", "component", "slot"]).join(
        now, on=["site_id", "component", "slot"]
    )  # fmt: skip
    assert (both["interval_before_days"] == both["before"]).all()
    assert (both["interval_days"] == both["now"]).all()
    assert "settings" not in set(changed["reason"])
    again = run(store, latest)
    assert again.keys() == second.keys()
    assert [name for name in again if not again[name].equals(second[name])] == []
    # an analysis of an earlier day is held against none of a later one, and takes nothing from it
    assert "plan_changes" not in run(store, first_day - timedelta(days=60))
    assert run(store, latest)["plan_changes"].equals(changed)


def test_only_what_a_plan_rests_on_makes_other_settings() -> None:
    def of(**values: object) -> str:
        return settings_fingerprint(settings_toml(settings_from(values, origin="a file")))

    plain = settings_fingerprint(settings_toml(default_settings()))
    assert of(contact="the office", crew_stops_per_week=9) == plain
    assert of(trip_cost=default_settings().trip_cost) == plain, "the same value, written down"
    assert of(trip_cost=1.0) != plain
    assert of(component={"uv_lamp": {"planned_cost": 1.0}}) != plain
