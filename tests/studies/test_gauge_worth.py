"""The gauge study on a fleet small enough for the suite, and its parts."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

spec = importlib.util.spec_from_file_location("gauge_worth", Path(__file__).with_name("gauge_worth.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study
spec.loader.exec_module(study)


def test_noise_shakes_a_reading_once_on_all_its_rows():
    frame = pl.DataFrame({"visit_id": ["a", "a", "b"], "drop_kpa": [10.0, 10.0, 40.0]})
    shaken = study._shaken(frame, np.random.default_rng(1), 0.5, ["visit_id"])
    first, again, other = shaken["drop_kpa"].to_list()
    assert first == again
    assert first != 10.0
    assert other != 40.0
    still = study._shaken(frame, np.random.default_rng(1), 0.0, ["visit_id"])
    assert still["drop_kpa"].to_list() == pytest.approx([10.0, 10.0, 40.0])


def test_readings_bring_the_medians_nearer_the_truth():
    (row,) = study.one_fleet("mixed", 60, 1, years_seen=(2.0,), noises=(0.0,), years=4.0, runs=1)
    without, found = (row[way]["sediment_cartridge"] for way in ("without", "with"))
    assert found[0] < 0.9 * without[0]
    assert found[2] == without[2] > 20
    assert study.table_row([row]).count("|") == 10
