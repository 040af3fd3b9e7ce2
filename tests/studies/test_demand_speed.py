"""A small one of the study: its fleet is forecast, and the months hold what its plans imply."""

import importlib.util
import sys
from pathlib import Path

import polars as pl

spec = importlib.util.spec_from_file_location("demand_speed", Path(__file__).with_name("demand_speed.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study
spec.loader.exec_module(study)


def test_a_small_fleet_is_forecast_under_both_plans():
    found = study.timed(40).forecast
    assert set(found.parts["component"]) == set(study.KINDS)
    lamps = found.stock.filter(pl.col("component") == "uv_lamp")
    # no lamp may pass a year: 40 lamps need at least 40 in the twelve months, and at most 3 each
    assert 40 <= lamps["expected"].sum() <= 120
    sleeves = found.stock.filter(pl.col("component") == "quartz_sleeve")["expected"].sum()
    cartridges = found.stock.filter(pl.col("component") == "carbon_cartridge")["expected"].sum()
    assert sleeves < 0.4 * cartridges, "one renewal of a sleeve in ten takes a part"
    assert found.use_current is not None
