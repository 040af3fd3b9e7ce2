"""No command removes or overwrites what it did not write; Ctrl-C says that it stopped."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from fleetstats import cli, pipeline, table_output
from fleetstats.errors import StoreError
from fleetstats.resources import folder

Run = Callable[..., tuple[int, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run a command in an empty folder; returns exit code and standard error."""
    monkeypatch.chdir(tmp_path)

    def call(*words: str | Path) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["fleetstats", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            cli.main()
        return int(stop.value.code or 0), capsys.readouterr().err

    return call


@pytest.fixture
def records(tmp_path: Path) -> Path:
    """Records that a load sets some rows aside of."""
    place = tmp_path / "records"
    shutil.copytree(folder("sample_data"), place)
    return place


def test_rows_set_aside_are_not_written_over_the_records(run: Run, records: Path) -> None:
    before = {path.name: path.read_bytes() for path in records.iterdir()}
    code, told = run("load", records, "--set-aside", records)
    assert code == 1
    assert "which no folder of rows set aside put there" in told
    assert {path.name: path.read_bytes() for path in records.iterdir()} == before
    assert not Path("fleet.duckdb").exists()


def test_rows_set_aside_replace_those_of_an_earlier_load_unless_they_were_edited(
    run: Run, records: Path
) -> None:
    aside = Path("aside")
    assert run("load", records, "--set-aside", aside)[0] == 0
    assert run("load", records, "--set-aside", aside)[0] == 0
    edited = next(aside.glob("*_set_aside.csv"))
    edited.write_text("half mended")
    code, told = run("load", records, "--set-aside", aside)
    assert (code, edited.read_text()) == (1, "half mended")
    assert f"'{edited.name}' was changed since it was written" in told


def test_a_table_is_written_over_nothing_unless_told_and_never_over_the_store(
    run: Run, records: Path
) -> None:
    assert run("load", records)[0] == 0
    store, mine = Path("fleet.duckdb"), Path("mine.csv")
    mine.write_text("mine")
    kept = store.read_bytes()
    code, told = run("table", "refused", "--out", mine)
    assert (code, mine.read_text()) == (1, "mine")
    assert "say --replace to write over it" in told
    for words in ((), ("--replace",)):
        assert run("table", "refused", "--out", store, *words)[0] == 1
        assert run("table", "--out", store, *words)[0] == 1
        assert store.read_bytes() == kept
    assert run("table", "refused", "--format", "csv", "--out", mine, "--replace")[0] == 0
    assert mine.read_text().startswith("load_id")


def test_invented_records_are_written_over_nothing(run: Run, records: Path) -> None:
    before = (records / "visits.csv").read_bytes()
    code, told = run("sample", "--sites", 3, "--out", records)
    assert (code, (records / "visits.csv").read_bytes()) == (1, before)
    assert "is there already" in told


@pytest.mark.parametrize("command", ["build", "demo", "report"])
def test_a_folder_of_others_is_refused_before_the_work(
    run: Run, records: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    def work(*_: object, **__: object) -> None:
        raise AssertionError("the work was begun")

    monkeypatch.setattr(pipeline, "load_records", work)
    monkeypatch.setattr(pipeline, "kept_results", work)
    words = [records] if command == "build" else []
    code, told = run(command, *words, "--out", records)
    assert code == 1
    assert "which no report put there" in told


@pytest.mark.parametrize("kind", ["between", "in a query", "in a query of the store"])
def test_ctrl_c_says_stopped_wherever_it_comes(run: Run, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    def stop(*_: object, **__: object) -> None:
        if kind == "between":
            raise KeyboardInterrupt
        error = duckdb.InterruptException("INTERRUPT Error: Interrupted!")
        if kind == "in a query":
            raise error
        raise StoreError("store x: could not be read") from error

    monkeypatch.setattr(table_output, "list_tables", stop)
    code, told = run("table")
    assert code == 130
    assert told.startswith("stopped; ")


def test_a_full_disk_behind_standard_output_is_said(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(table_output, "list_tables", full)
    code, told = run("table")
    assert code == 1
    assert "no space is left on the disk" in told
