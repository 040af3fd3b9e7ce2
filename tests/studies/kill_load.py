"""Kills a load, and the keeping of results, at moments spread over its time: the store must stay whole.

Run by hand:

    python tests/studies/kill_load.py --kills 200

Each time a fresh copy of a store is written by a second process, which is killed (SIGKILL) at a seeded
moment. Opened again, the store must hold exactly what it held before, or exactly what it holds after an
undisturbed run: the same tables with the same rows, those of the records, the journal and the results. Prints
one markdown row a task.
"""

from __future__ import annotations

import argparse
import datetime as dt
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import polars as pl

SEED = 20240229
TODAY = dt.date(2027, 1, 1)
#: first: into a new file. again: corrections, re-sent work and new visits. results: keeping those of a run.
TASKS = ("first", "again", "results")
Content = dict[str, tuple[int, str]]


@dataclass(frozen=True, slots=True)
class Task:
    """A task to be killed at: what the store holds before and after it, and how long it takes."""

    name: str
    start: Path
    files: Path
    before: Content
    after: Content
    seconds: float


def content(path: Path) -> Content:
    """Return the number of rows and a digest of the rows of every table that a store holds."""
    from fleetstats.store import Store

    if not path.exists():
        return {}
    with Store(path) as store:
        tables = store.run(
            "SELECT schema_name, table_name FROM duckdb_tables() WHERE schema_name <> 'main' ORDER BY ALL"
        )
        return {
            f"{schema}.{table}": store.run(
                "SELECT count(*), md5(coalesce(string_agg(t::VARCHAR, '\n' ORDER BY t::VARCHAR), '')) "
                f'FROM {schema}."{table}" AS t'
            )[0]
            for schema, table in tables
        }


def do(task: str, store_path: Path, files: Path) -> None:
    """Do a task, saying when it begins and when it is done."""
    import polars as pl

    from fleetstats.intake.accept import load_paths
    from fleetstats.store import Store

    results = {p.stem: pl.read_parquet(p) for p in files.glob("*.parquet")}
    print("begins", flush=True)
    with Store(store_path) as store:
        if task == "results":
            store.keep(results, as_of=TODAY)
        else:
            load_paths(store, [files], today=TODAY)
    print("done", flush=True)


def prepared(folder: Path, sites: int) -> list[Task]:
    """Return the tasks, each with what it starts from and comes to; files are made under `folder`."""
    first, again, results = (folder / name for name in TASKS)
    _write_records(first, again, sites)
    results.mkdir()
    rng = np.random.default_rng(SEED)
    _some_results(rng, 40 * sites, "records_held").write_parquet(results / "records_held.parquet")
    _some_results(rng, 400 * sites, "removals").write_parquet(results / "removals.parquet")
    nothing, loaded, kept = (folder / f"{name}.duckdb" for name in ("nothing", "loaded", "kept"))
    with_old = folder / "with_old.duckdb"
    _run("first", loaded, first)
    shutil.copy(loaded, with_old)
    old = folder / "old"
    old.mkdir()
    _some_results(rng, 30 * sites, "records_held").write_parquet(old / "records_held.parquet")
    _some_results(rng, 3 * sites, "effects").write_parquet(old / "effects.parquet")
    _run("results", with_old, old)
    starts = {"first": (nothing, first), "again": (with_old, again), "results": (with_old, results)}
    tasks = []
    for name, (start, files) in starts.items():
        seconds = min(_run(name, _copied(start, kept), files) for _ in range(2))
        tasks.append(Task(name, start, files, content(start), content(kept), seconds))
    return tasks


def _write_records(first: Path, again: Path, sites: int) -> None:
    """Write a fleet's records, and the same once more with new visits, corrected ones and others' work."""
    import polars as pl

    from fleetstats.sample import invent_fleet, write_fleet

    write_fleet(invent_fleet(sites, seed=SEED), again)
    first.mkdir()
    for path in again.glob("*.csv"):
        table = pl.read_csv(path, infer_schema=False)
        kept = table.head(int(0.7 * table.height)) if path.stem in ("visits", "work") else table
        if path.stem == "visits":
            kept = kept.with_columns(pl.lit("before the correction").alias("notes"))
        if path.stem == "work":
            kept = kept.filter(pl.int_range(pl.len()) % 5 > 0)
        kept.write_csv(first / path.name)


def _some_results(rng: np.random.Generator, rows: int, table: str) -> pl.DataFrame:
    """Return so many rows of a result table, with anything in them."""
    import polars as pl

    from fleetstats.tables import TABLES

    made = {
        "text": lambda: ["x"] * rows,
        "int": lambda: rng.integers(0, 700, rows),
        "real": lambda: rng.random(rows),
    }
    return pl.DataFrame({column.name: made[column.kind]() for column in TABLES[table].columns})


def _copied(start: Path, to: Path) -> Path:
    for path in (to, to.with_name(to.name + ".wal"), to.with_name(to.name + ".new")):
        path.unlink(missing_ok=True)
    if start.exists():
        shutil.copy(start, to)
    return to


def _started(task: str, store: Path, files: Path) -> subprocess.Popen[bytes]:
    """Return the process that does a task, at the moment it begins."""
    process = subprocess.Popen(
        [sys.executable, __file__, "--do", task, str(store), str(files)], stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    line = process.stdout.readline()
    assert line == b"begins\n", line
    return process


def _run(task: str, store: Path, files: Path) -> float:
    """Return how long a task takes, in seconds, after doing it undisturbed."""
    with _started(task, store, files) as process:
        began = time.perf_counter()
        process.communicate()
        assert process.returncode == 0
        return time.perf_counter() - began


def kill_at(task: Task, seconds: float, store: Path) -> str:
    """Return what a store holds when the task is killed after some seconds: before, after or neither."""
    with _started(task.name, _copied(task.start, store), task.files) as process:
        time.sleep(seconds)
        process.kill()
    found = content(store)
    if found == task.before or (not task.before and all(rows == 0 for rows, _ in found.values())):
        return "before"
    return "after" if found == task.after else "neither"


def killed(task: Task, kills: int, store: Path, seed: int = SEED) -> Counter[str]:
    """Return how often a store was found as before, as after, or neither, killed all over a task's time."""
    moments = (np.arange(kills) + np.random.default_rng(seed).random(kills)) / kills
    return Counter(kill_at(task, float(moment), store) for moment in 1.1 * task.seconds * moments)


def main() -> None:
    """Kill and report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200, help="how many in all, shared by the tasks")
    parser.add_argument("--sites", type=int, default=300)
    parser.add_argument("--do", nargs=3, metavar=("TASK", "STORE", "FILES"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.do:
        do(given.do[0], Path(given.do[1]), Path(given.do[2]))
        return
    print("| task | seconds | kills | as before | as after | neither |\n|---|---|---|---|---|---|")
    bad = 0
    with tempfile.TemporaryDirectory() as name:
        tasks = prepared(Path(name), given.sites)
        shares = np.diff(np.linspace(0, given.kills, len(tasks) + 1).astype(int))
        for task, kills in zip(tasks, shares.tolist(), strict=True):
            found = killed(task, kills, Path(name, "killed.duckdb"))
            bad += found["neither"]
            print(
                f"| {task.name} | {task.seconds:.2f} | {kills} | {found['before']} | {found['after']} | "
                f"{found['neither']} |",
                flush=True,
            )
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
