"""Parts that stand in for missing numbers, and last year's forecast made from what was known then."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from fleetstats.pipeline import load
from fleetstats.pipeline.forecast import stock_past, with_the_only_part
from fleetstats.sample import write_sample
from fleetstats.settings import default_settings
from fleetstats.store import Store

TODAY = date(2026, 11, 25)


def test_the_only_part_listed_stands_in_for_a_missing_number() -> None:
    units = pl.DataFrame(
        {"component": ["lamp", "lamp", "filter", "sleeve"], "part_number": [None, "L-9", None, None]},
        schema={"component": pl.String, "part_number": pl.String},
    )
    parts = pl.DataFrame(
        {"component": ["lamp", "filter", "filter", None], "part_number": ["L-1", "F-1", "F-2", "S-1"]}
    )
    assert with_the_only_part(units, parts)["part_number"].to_list() == ["L-1", "L-9", None, None]
    assert with_the_only_part(units, parts.clear())["part_number"].to_list() == [None, "L-9", None, None]


def test_last_year_is_forecast_from_what_was_known_then(tmp_path: Path) -> None:
    write_sample(12, tmp_path / "records", seed=5)
    settings, store = default_settings(), tmp_path / "fleet.duckdb"
    load([tmp_path / "records"], store=store, settings=settings, today=TODAY, progress=lambda _: None)
    with Store(store) as held:
        latest = held.latest_visit()
        assert latest is not None
        relations = held.relations(as_of=latest, settings=settings)
        found = stock_past(held, settings, relations=relations)
        early = held.relations(as_of=date(latest.year - 4, 1, 1), settings=settings)
        too_short = stock_past(held, settings, relations=early)
    end = date(latest.year, latest.month, 1)  # the day after the last whole month, or the month's own first
    year = relations.work.filter(
        pl.col("action").is_in(["fitted", "replaced"])
        & (pl.col("visit_date") >= end.replace(year=end.year - 1)) & (pl.col("visit_date") < end)
    )  # fmt: skip
    cartridges = ["sediment_cartridge", "carbon_cartridge"]
    told = found.filter(pl.col("component").is_in(cartridges))
    assert told["used"].sum() == year.filter(pl.col("component").is_in(cartridges)).height
    assert 0.5 < told["forecast"].sum() / told["used"].sum() < 2.0
    assert found.filter(pl.col("forecast_low") > pl.col("forecast_high")).is_empty()
    assert too_short.is_empty()
    assert too_short.columns == found.columns
