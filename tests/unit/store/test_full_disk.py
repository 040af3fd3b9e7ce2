"""A disk that fills up in the middle: told in one sentence, and the store is as before."""

from __future__ import annotations

import subprocess
import sys
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from fleetstats.intake.accept import load_paths
from fleetstats.store import Store

TODAY = date(2026, 1, 1)
#: No file may grow beyond the limit: the system's answer is then the same as that of a full disk.
WRITER = """
import resource, sys
from datetime import date
import polars as pl
from fleetstats.errors import StoreError
from fleetstats.intake.accept import load_paths
from fleetstats.store import Store

task, store, files, limit = sys.argv[1:]
resource.setrlimit(resource.RLIMIT_FSIZE, (int(limit), int(limit)))
try:
    with Store(store) as held:
        if task == "load":
            load_paths(held, [files], today=date(2026, 1, 1))
        else:
            held.keep({"todays_practice": pl.DataFrame({"component": "a", "quarter": range(50_000), "visits": 1, "renewed": 1, "share": 0.5})}, as_of=date(2026, 1, 1))
except StoreError as error:
    print(error)
"""


def write_records(folder: Path, visits: int) -> Path:
    folder.mkdir()
    days = [f"20{10 + n % 15}-0{1 + n % 9}-1{n % 10}" for n in range(visits)]
    (folder / "sites.csv").write_text("site_id\nA\nB\n")
    (folder / "visits.csv").write_text(
        "visit_id,site_id,visit_date,meter_m3\n"
        + "".join(f"{n},{'AB'[n % 2]},{day},{n * 7919 % 104729}\n" for n, day in enumerate(days))
    )
    (folder / "work.csv").write_text(
        "visit_id,component,action\n" + "".join(f"{n},uv_lamp,replaced\n" for n in range(visits))
    )
    return folder


def content(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with Store(path) as store:
        tables = store.run("SELECT schema_name, table_name FROM duckdb_tables() WHERE schema_name <> 'main'")
        return {f"{s}.{t}": store.run(f'SELECT * FROM {s}."{t}" ORDER BY ALL') for s, t in tables}


def write(task: str, path: Path, files: Path, limit: int) -> str:
    command = [sys.executable, "-c", WRITER, task, str(path), str(files), str(limit)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files")
@pytest.mark.parametrize(("task", "limit"), [("load", 6_000), ("load", 40_000), ("keep", 2_000)])
def test_a_full_disk_leaves_the_store_as_before(tmp_path, task, limit):
    path = tmp_path / "fleet.duckdb"
    with Store(path) as store:
        load_paths(store, [write_records(tmp_path / "few", 40)], today=TODAY)
        store.keep({"analysis": pl.DataFrame()}, as_of=TODAY)
    before = content(path)
    many = write_records(tmp_path / "many", 3000)
    told = write(task, path, many, limit)
    assert "it is as before this command; free some room on the disk and try again" in told
    assert content(path) == before
    assert write(task, path, many, 100_000_000) == ""  # and with room again it goes in
    assert content(path) != before


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files")
@pytest.mark.parametrize("limit", [1_000, 13_000])
def test_no_room_for_a_new_store_leaves_none(tmp_path, limit):
    many = write_records(tmp_path / "many", 30)
    told = write("load", tmp_path / "fleet.duckdb", many, limit)
    assert "free some room on the disk and try again" in told
    assert [path.name for path in tmp_path.iterdir()] == ["many"]
