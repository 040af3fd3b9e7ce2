"""Fixtures that make a store from a few lines of CSV written in the test."""

import os
import subprocess
import sys

# As the command line does, before numpy is imported: its threads slow small matrices down.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from textwrap import dedent

import polars as pl
import pytest

from fleetstats.intake.accept import LoadReport, load_paths
from fleetstats.report import write_site
from fleetstats.resources import folder
from fleetstats.settings import Settings, default_settings
from fleetstats.store import Relations, Store
from tests.made_once import made_once
from tests.report_fixture import invent

TODAY = date(2026, 1, 1)


#: Files and folders whose tests take seconds each: whole analyses, processes, a browser, thousands of draws, dozens
#: of stores. `-m "not slow"` leaves them out; what they guard has a quick test of its own kind among the others.
SLOW = (
    "browser/", "cli/", "packaging/", "studies/", "site/test_supplier_leak.py", "site/test_writing.py", "sql/test_as_of.py",
    "sql/test_usage_and_place.py", "unit/intake/test_sent_again.py",
    "sql/test_carried_through.py", "sql/test_checks.py", "sql/test_end_of_view.py", "sql/test_entry.py",
    "properties/test_gauge_faults.py", "properties/test_gauge_recovery.py", "properties/test_intake.py",
    "properties/test_life_nasty.py", "properties/test_records.py", "properties/test_settings_bounds.py", "unit/intake/test_ridge_log.py",
    "unit/pipeline/test_gauges.py", "unit/pipeline/test_past_and_parts.py", "unit/pipeline/test_second_looks.py",
    "unit/pipeline/test_since_last.py", "unit/store/test_full_disk.py",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests of `SLOW`."""
    here = Path(__file__).parent
    for item in items:
        if item.path.relative_to(here).as_posix().startswith(SLOW):
            item.add_marker(pytest.mark.slow)


@dataclass
class Fleet:
    """A store in memory, filled from CSV text."""

    store: Store
    folder: Path
    loads: int = 0

    def load(self, *, today: date = TODAY, **tables: str) -> LoadReport:
        """Load tables given as CSV text; a name with __2 at its end is a second file of that table."""
        self.loads += 1
        paths = []
        for name, text in tables.items():
            table, _, copy = name.partition("__")
            folder = self.folder / f"load{self.loads}{copy}"
            folder.mkdir(exist_ok=True)
            path = folder / f"{table}.csv"
            path.write_text(dedent(text).lstrip("\n"), encoding="utf-8")
            paths.append(path)
        return load_paths(self.store, paths, today=today)

    def known(self, as_of: str | None = None, settings: Settings | None = None, **tables: str) -> Relations:
        """Return what is known after loading the tables; sites are made up for the visits if not given."""
        if "sites" not in tables and "visits" in tables and not self.store.has_records():
            tables = {"sites": sites_of(tables["visits"]), **tables}
        if tables:
            self.load(**tables)
        day = date.fromisoformat(as_of) if as_of else self.store.latest_visit()
        assert day is not None
        return self.store.relations(as_of=day, settings=settings or default_settings())


def sites_of(visits: str) -> str:
    """Return a sites table that names every site of a visits table."""
    frame = pl.read_csv(dedent(visits).strip().encode(), infer_schema=False)
    return "site_id\n" + "\n".join(sorted(set(frame["site_id"].drop_nulls().to_list()))) + "\n"


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    with Store(":memory:") as store:
        yield Fleet(store, tmp_path)


@pytest.fixture(scope="session")
def built_sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with fleet.duckdb and pages/ of the sample records, made by `fleetstats build`; copy to change."""
    return made_once(tmp_path_factory, "built_sample", _build)


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of one written report of sixty invented homes; only read."""
    return (
        made_once(tmp_path_factory, "report", lambda place: write_site(invent(60), place / "pages")) / "pages"
    )


def _build(place: Path) -> None:
    command = [sys.executable, "-c", "from fleetstats.cli import main; main()"]
    done = subprocess.run(
        [*command, "build", str(folder("sample_data")), "--out", "pages"],
        cwd=place, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "rows read" in done.stdout
    assert done.stderr == "", "progress is for terminals only"


@pytest.fixture
def rows() -> Callable[..., list[tuple[object, ...]]]:
    """Return some columns of a frame as a list of tuples."""

    def of(frame: pl.DataFrame, *columns: str) -> list[tuple[object, ...]]:
        return frame.select(columns).rows()

    return of
