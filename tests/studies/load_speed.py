"""Times a first load against DuckDB's bare reading of the same files, in one run, and the models after it.

Run by hand:

    python tests/studies/load_speed.py --visits 1000000

The files are an invented fleet of 2,000 homes, faults and all, written many times over under other site and
visit ids. "Bare" is `CREATE TABLE ... AS FROM read_csv(...)` into a new DuckDB file, once with every column
as text and once with types found out and lines that do not fit skipped. Loads and bare readings take turns;
the quickest of each counts. Prints one markdown row: ratios depend less on the machine than seconds do.
"""

from __future__ import annotations

import argparse
import datetime as dt
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import duckdb

from fleetstats.intake.accept import LoadReport, load_paths
from fleetstats.sample import invent_fleet, write_fleet
from fleetstats.settings import default_settings
from fleetstats.store import Store

TODAY = dt.date(2027, 1, 1)
TABLES = ("sites", "visits", "work")
#: The columns of each table that must differ from copy to copy.
IDS = {"sites": ("site_id",), "visits": ("visit_id", "site_id"), "work": ("visit_id",)}
BARE = {"text": "all_varchar = true", "typed": "ignore_errors = true"}


@dataclass(frozen=True, slots=True)
class Took:
    """How long something took: seconds on the clock, and seconds of all processors together."""

    clock: float
    processors: float

    def over(self, other: Took) -> str:
        """Return both as ratios to another's."""
        return f"{self.clock / other.clock:.2f} ({self.processors / other.processors:.2f})"


def timed(act: Callable[[], object]) -> Took:
    """Return how long a call takes."""
    clock, processors = time.perf_counter(), time.process_time()
    act()
    return Took(time.perf_counter() - clock, time.process_time() - processors)


def write_many(folder: Path, visits: int, *, homes: int = 2000, seed: int = 1) -> dict[str, int]:
    """Return how many rows each table has, after writing at least so many visits."""
    with tempfile.TemporaryDirectory() as name, duckdb.connect() as con:
        write_fleet(invent_fleet(homes, seed=seed), Path(name))
        for table in TABLES:
            con.execute(
                f"CREATE TABLE {table} AS SELECT row_number() OVER () AS place, * "
                f"FROM read_csv('{name}/{table}.csv', all_varchar = true)"
            )
        once = con.execute("SELECT count(*) FROM visits").fetchall()[0][0]
        copies = -(-visits // once)
        rows = {}
        for table in TABLES:
            ids = ", ".join(f"{column} || '-' || copy AS {column}" for column in IDS[table])
            con.execute(
                f"COPY (SELECT * EXCLUDE (place, copy) REPLACE ({ids}) "
                f"FROM {table}, range({copies}) AS c(copy) ORDER BY copy, place) "
                f"TO '{folder}/{table}.csv' (HEADER)"
            )
            rows[table] = copies * con.execute(f"SELECT count(*) FROM {table}").fetchall()[0][0]
        return rows


def read_bare(folder: Path, store: Path, options: str) -> None:
    """Read the files into tables of a new DuckDB file and do no more."""
    store.unlink(missing_ok=True)
    with duckdb.connect(str(store)) as con:
        for table in TABLES:
            con.execute(f"CREATE TABLE {table} AS FROM read_csv('{folder}/{table}.csv', {options})")


def load(folder: Path, store: Path) -> LoadReport:
    """Return the report of a first load of the files into a new store."""
    store.unlink(missing_ok=True)
    with Store(store) as held:
        return load_paths(held, [folder], today=TODAY, components=tuple(default_settings().components))


def run_models(store: Path) -> None:
    """Run every model and check on what a store holds."""
    with Store(store, read_only=True) as held:
        day = held.latest_visit()
        assert day is not None
        held.relations(as_of=day, settings=default_settings())


def quickest(folder: Path, store: Path, rounds: int) -> dict[str, Took]:
    """Return the quickest of each: the load and the bare readings, taking turns."""
    acts: dict[str, Callable[[], object]] = {"load": lambda: load(folder, store)}
    for name, options in BARE.items():
        acts[name] = lambda options=options: read_bare(folder, store.with_name("bare.duckdb"), options)
    taken: dict[str, list[Took]] = {name: [] for name in acts}
    for _ in range(rounds):
        for name, act in acts.items():
            taken[name].append(timed(act))
    return {
        name: Took(min(t.clock for t in all_), min(t.processors for t in all_))
        for name, all_ in taken.items()
    }


def table_row(rows: dict[str, int], took: dict[str, Took], models: Took | None) -> str:
    """Return the markdown row of a run."""
    after = "" if models is None else f"{models.over(took['text'])}"
    return (
        f"| {rows['visits']:,} | {rows['work']:,} | {took['load'].over(took['text'])} | "
        f"{took['load'].over(took['typed'])} | {after} | {took['load'].clock:.1f} |"
    )


def main() -> None:
    """Measure and report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=1_000_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--models", action="store_true", help="time the models and checks as well")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name, "records")
        folder.mkdir()
        rows = write_many(folder, given.visits)
        store = Path(name, "fleet.duckdb")
        took = quickest(folder, store, given.rounds)
        models = timed(lambda: run_models(store)) if given.models else None
    print(
        "| visits | work rows | load : bare as text, clock (processors) | load : bare typed "
        "| models : bare as text | load, s |\n|---|---|---|---|---|---|"
    )
    print(table_row(rows, took, models))


if __name__ == "__main__":
    main()
