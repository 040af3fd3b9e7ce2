"""Opening a store: in use elsewhere, of another schema, damaged, another kind of file, not allowed."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest

from fleetstats.errors import StoreError
from fleetstats.schema import MIGRATIONS, SCHEMA_VERSION
from fleetstats.store import Store

NOBODY = 65534


@contextmanager
def held_open(path: Path, *, read_only: bool = False) -> Iterator[None]:
    """Another process has the store open meanwhile."""
    other = (
        "import sys; from fleetstats.store import Store\n"
        f"with Store({str(path)!r}, read_only={read_only}): print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", other], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"open\n"
        yield
        process.communicate()


@pytest.mark.parametrize("read_only", [False, True])
def test_a_store_that_another_process_writes_is_in_use(tmp_path, read_only):
    path = tmp_path / "fleet.duckdb"
    Store(path).close()
    with (
        held_open(path),
        pytest.raises(StoreError, match="in use by another program; close that one, or wait"),
    ):
        Store(path, read_only=read_only)
    Store(path).close()


def test_many_may_read_at_once_but_none_writes_meanwhile(tmp_path):
    path = tmp_path / "fleet.duckdb"
    Store(path).close()
    with held_open(path, read_only=True):
        Store(path, read_only=True).close()
        with pytest.raises(StoreError, match="in use by another program"):
            Store(path)


def of_version(path: Path, version: int | None) -> Path:
    Store(path).close()
    with duckdb.connect(str(path)) as con:
        con.execute("UPDATE main.fleetstats_store SET schema_version = $v", {"v": version})
    return path


@pytest.mark.parametrize(
    ("version", "message"),
    [
        (0, r"has schema version 0, this fleetstats works with \d+, and knows no way .*--store NEW.duckdb"),
        (None, r"has schema version None, .*--store NEW.duckdb"),
        (SCHEMA_VERSION + 1, r"use the newer fleetstats that made it, or load .*--store NEW.duckdb"),
    ],
)
def test_a_schema_nobody_knows_is_refused_with_the_way_out(tmp_path, version, message):
    path = of_version(tmp_path / "fleet.duckdb", version)
    before = path.read_bytes()
    for read_only in (False, True):
        with pytest.raises(StoreError, match=message):
            Store(path, read_only=read_only)
    assert path.read_bytes() == before


def first_version(path: Path) -> Path:
    """Return a store as the first version made it: nothing kept of the row that was refused but its place."""
    with duckdb.connect(str(path)) as con:
        for schema in ("records", "journal", "results"):
            con.execute(f"CREATE SCHEMA {schema}")
        con.execute("CREATE TABLE main.fleetstats_store AS SELECT 1 AS schema_version")
        con.execute(
            "CREATE TABLE journal.refused AS SELECT 1 AS load_id, 'visits' AS table_name, \"line\" FROM "
            '(SELECT 7 AS "line")'
        )
    return path


def test_a_store_of_an_older_schema_is_brought_up_to_date(tmp_path):
    path = first_version(tmp_path / "fleet.duckdb")
    with pytest.raises(StoreError, match="brought up to date when it is next written: run fleetstats"):
        Store(path, read_only=True)
    with Store(path) as store:
        assert store.table("refused").rows() == [(1, "visits", 7, None)]
    with Store(path, read_only=True) as store:
        assert store.run("SELECT schema_version FROM main.fleetstats_store") == [(SCHEMA_VERSION,)]


def test_an_error_on_the_way_leaves_the_older_schema(tmp_path, monkeypatch):
    path = first_version(tmp_path / "fleet.duckdb")
    broken = {**MIGRATIONS, 1: (*MIGRATIONS[1], "ALTER TABLE journal.nowhere ADD COLUMN i INT")}
    monkeypatch.setattr("fleetstats.schema.MIGRATIONS", broken)
    with pytest.raises(StoreError, match="cannot be opened"):
        Store(path)
    with duckdb.connect(str(path)) as con:
        assert con.execute("SELECT * FROM main.fleetstats_store").fetchall() == [(1,)]
        assert con.execute("SELECT * FROM journal.refused").fetchall() == [(1, "visits", 7)]


def test_every_older_version_has_a_way_to_the_present_one():
    assert set(MIGRATIONS) == set(range(1, SCHEMA_VERSION))


# -- files of another kind -----------------------------------------------------------------------------------


def write_sqlite(path: Path) -> None:
    con = sqlite3.connect(path)
    con.execute("CREATE TABLE t (i)")
    con.commit()
    con.close()


OTHER_FILES = {
    "records.csv": lambda path: path.write_text("site_id\nA\n" * 9000),
    "records.parquet": lambda path: pl.DataFrame({"site_id": ["A"]}).write_parquet(path),
    "other.sqlite": write_sqlite,
    "empty.duckdb": lambda path: path.write_bytes(b""),
    "noise.duckdb": lambda path: path.write_bytes(bytes(range(256)) * 400),
}


@pytest.mark.parametrize("name", OTHER_FILES)
def test_a_file_of_another_kind_is_refused_and_left_alone(tmp_path, name):
    path = tmp_path / name
    OTHER_FILES[name](path)
    before = path.read_bytes()
    with pytest.raises(StoreError, match=rf"{name}: is damaged or no DuckDB file; put back .*NEW.duckdb"):
        Store(path)
    assert path.read_bytes() == before


def test_a_folder_is_no_store(tmp_path):
    with pytest.raises(StoreError, match=r"is a folder; accepted is a file: .*fleet.duckdb"):
        Store(tmp_path)


def test_another_database_is_refused(tmp_path):
    path = tmp_path / "other.duckdb"
    with duckdb.connect(str(path)) as con:
        con.execute("CREATE TABLE t (i INT)")
    with pytest.raises(StoreError, match="is a DuckDB file but no store of fleetstats"):
        Store(path)


def spoilt(path: Path, how: str) -> bytes:
    """Return the bytes of a store of 100 000 rows, spoilt one way or another."""
    with Store(path) as store:
        store.keep(
            {"records_held": pl.DataFrame({"table_name": "a", "records": range(100_000)})},
            as_of=date(2024, 1, 1),
        )
    whole = bytearray(path.read_bytes())
    if how == "cut within its head":
        return bytes(whole[:9000])
    if how == "cut in the middle":
        return bytes(whole[: len(whole) // 2])
    for place in range(20_000, len(whole), 1000):  # past the head of the file
        whole[place] ^= 0xFF
    return bytes(whole)


@pytest.mark.parametrize("how", ["cut within its head", "cut in the middle", "bits turned"])
def test_a_damaged_store_is_told(tmp_path, how):
    path = tmp_path / "fleet.duckdb"
    path.write_bytes(spoilt(path, how))
    with pytest.raises(StoreError, match=str(path)), Store(path) as store:
        store.table("plans")


# -- places and rights ---------------------------------------------------------------------------------------


def test_places_that_cannot_be_opened(tmp_path):
    with pytest.raises(StoreError, match="not found; load records first"):
        Store(tmp_path / "none.duckdb", read_only=True)
    with pytest.raises(StoreError, match="check the path"):
        Store(tmp_path / "no" / "such" / "folder.duckdb")
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def guarded() -> Iterator[Path]:
    """Return a store in a folder, seen by someone whom rights bind (they do not bind root)."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name, "fleet.duckdb")
        Store(path).close()
        path.parent.chmod(0o755)
        was = os.geteuid()
        if was == 0:
            os.seteuid(NOBODY)
        else:
            path.chmod(0o444)
            path.parent.chmod(0o555)
        try:
            yield path
        finally:
            os.seteuid(was)
            path.parent.chmod(0o755)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights are told otherwise on this system")
def test_a_store_that_may_only_be_read_is_read(guarded):
    with Store(guarded, read_only=True) as store:
        assert not store.has_records()
    for place in (guarded, guarded.with_name("new.duckdb")):
        with pytest.raises(StoreError, match="must not be written or read by you here; change the rights"):
            Store(place)
