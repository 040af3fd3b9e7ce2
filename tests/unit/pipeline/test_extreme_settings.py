"""Settings and records at the edge of what is accepted end in a plan for every served home, or are refused."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from fleetstats import pipeline
from fleetstats.errors import SettingsError
from fleetstats.sample import write_sample
from fleetstats.settings import settings_from
from fleetstats.store import Store

TODAY = date(2027, 1, 1)
SETTINGS = {
    "sites added": {"sites_added_per_month": 1.5},
    "pressure limit 1": {"component": {"sediment_cartridge": {"pressure_limit_kpa": 1}}},
    "pressure limit below": {"component": {"carbon_cartridge": {"pressure_limit_kpa": 0.25}}},
    "lateness a million": {"lateness_days": 1e6},
    "money": {"trip_cost": 1e308, "callout_cost": 1e308},
    "cheap": {"trip_cost": 0, "callout_cost": 0},
}


REFUSED = ("lateness a million", "money")


def site_limit(folder: Path) -> None:
    (folder / "site_limits.csv").write_text(
        "site_id,kind,max_days\nH-001,contract,1e19\nH-002,contract,0.5\n"
    )


def lead_time(folder: Path) -> None:
    frame = pl.read_csv(folder / "parts.csv").with_columns(lead_time_days=pl.lit(10_000_000))
    frame.write_csv(folder / "parts.csv")


def part_price(folder: Path) -> None:
    pl.read_csv(folder / "parts.csv").with_columns(unit_cost=pl.lit(1e308)).write_csv(folder / "parts.csv")


def meters(folder: Path) -> None:
    frame = pl.read_csv(folder / "visits.csv", infer_schema=False).with_row_index()
    wild = pl.when(pl.col("index") % 2 == 0).then(pl.lit("0")).otherwise(pl.lit("1e308"))
    frame.with_columns(meter_m3=wild).drop("index").write_csv(folder / "visits.csv")


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("edge") / "records"
    write_sample(8, folder, seed=4)
    return folder


def planned(folder: Path, given: dict[str, object]) -> pl.DataFrame:
    settings = settings_from(given, "fleet.toml")
    with Store(":memory:") as store:
        pipeline.load_records(store, [folder], settings=settings, today=TODAY)
        pipeline._analyse(store, settings, None, lambda _: None)
        served = store.table("sites").filter("served")["site_id"].to_list()
        plans = store.table("plans")
    assert sorted(plans["site_id"].to_list()) == sorted(served)
    return plans


@pytest.mark.slow
@pytest.mark.parametrize("name", SETTINGS)
def test_settings_at_the_edge_end_in_a_plan_or_are_refused(records: Path, name: str) -> None:
    if name in REFUSED:
        with pytest.raises(SettingsError, match=r"accepted is a number, 0 or more, at most \d+"):
            settings_from(SETTINGS[name], "fleet.toml")
        return
    plans = planned(records, SETTINGS[name])
    assert plans["cost_per_year"].is_finite().all()
    assert plans["visit_interval_days"].is_between(7, 1456).all()


@pytest.mark.slow
@pytest.mark.parametrize("spoil", [site_limit, lead_time, part_price, meters])
def test_records_at_the_edge_end_in_a_plan(
    records: Path, tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    for path in records.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    spoil(tmp_path)
    plans = planned(tmp_path, {})
    assert plans["cost_per_year"].is_finite().all()
    assert plans["visit_interval_days"].is_between(7, 1456).all()
