"""A store that an older version made is brought up to date, or what it lacks is said in one sentence."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import duckdb
import pytest

from fleetstats import pipeline
from fleetstats.errors import StoreError
from fleetstats.resources import folder
from fleetstats.schema import SCHEMA_VERSION
from fleetstats.settings import default_settings
from fleetstats.store import Store

#: What the schema had two versions ago and has no more, or has since.
OLDER = (
    "CREATE TABLE journal.mended (load_id INTEGER, row_mark VARCHAR, file VARCHAR)",
    "ALTER TABLE journal.refused DROP COLUMN record",
    "ALTER TABLE records.visits DROP COLUMN uv_intensity_percent",
    "DROP TABLE results.calibration_tenths",
    "ALTER TABLE results.due DROP COLUMN uv_late",
    "UPDATE main.fleetstats_store SET schema_version = 1",
)


@pytest.fixture
def older(built_sample: Path, tmp_path: Path) -> Path:
    store = tmp_path / "fleet.duckdb"
    shutil.copy(built_sample / "fleet.duckdb", store)
    with duckdb.connect(str(store)) as con:
        for statement in OLDER:
            con.execute(statement)
    return store


def report(store: Path) -> Path:
    return pipeline.report(
        store=store,
        settings=None,
        as_of=None,
        out=store.parent / "out",
        audience="all",
        progress=lambda _: None,
    )


@pytest.mark.slow
def test_an_older_store_goes_on_after_a_load_and_an_analysis(older: Path) -> None:
    with pytest.raises(StoreError, match=r"has schema version 1, .* run fleetstats analyse"):
        report(older)
    settings, today = default_settings(), date(2027, 1, 1)
    pipeline.load(
        [folder("sample_data")], store=older, settings=settings, today=today, progress=lambda _: None
    )
    with Store(older) as held:
        assert held.run("SELECT schema_version FROM main.fleetstats_store") == [(SCHEMA_VERSION,)]
        assert not held.run("SELECT 1 FROM duckdb_tables() WHERE table_name = 'mended'")
        columns = {
            name
            for (name,) in held.run("SELECT column_name FROM duckdb_columns() WHERE table_name = 'visits'")
        }
    assert "uv_intensity_percent" in columns
    with pytest.raises(StoreError, match=r"of another version .*; run: fleetstats analyse"):
        report(older)
    pipeline.analyse(store=older, settings=settings, as_of=None, progress=lambda _: None)
    assert report(older).is_file()
