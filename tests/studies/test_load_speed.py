"""The load-speed study measures what it says: the same rows, all judged, on either side of the ratio."""

import importlib.util
import sys
from pathlib import Path

import duckdb
import pytest

spec = importlib.util.spec_from_file_location("load_speed", Path(__file__).with_name("load_speed.py"))
study = importlib.util.module_from_spec(spec)
sys.modules[spec.name] = study  # its dataclasses look their module up
spec.loader.exec_module(study)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("records")
    return folder, study.write_many(folder, 3000, homes=60)


def test_both_sides_read_the_same_rows(written, tmp_path):
    folder, rows = written
    assert rows["visits"] >= 3000
    report = study.load(folder, tmp_path / "store.duckdb")
    assert {file.table: file.rows_read for file in report.files} == rows
    assert report.files[0].accepted == rows["sites"], "every copy has site ids of its own"
    assert sum(file.repeated for file in report.files) < 0.01 * rows["visits"]
    study.read_bare(folder, tmp_path / "bare.duckdb", study.BARE["text"])
    with duckdb.connect(str(tmp_path / "bare.duckdb")) as con:
        assert {t: con.execute(f"SELECT count(*) FROM {t}").fetchall()[0][0] for t in rows} == rows


def test_a_run_is_one_row_of_ratios(written, tmp_path):
    folder, rows = written
    took = study.quickest(folder, tmp_path / "store.duckdb", rounds=1)
    assert set(took) == {"load", "text", "typed"}
    assert all(t.clock > 0 for t in took.values())
    assert study.table_row(rows, took, study.timed(lambda: None)).count("|") == 7
    half = study.Took(1.0, 2.0)
    assert study.Took(2.0, 3.0).over(half) == "2.00 (1.50)"
