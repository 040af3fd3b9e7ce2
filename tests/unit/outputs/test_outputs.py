"""Folders and files of the tool's own: swapped in whole, nothing of others lost, wherever a run is cut short."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from fleetstats import outputs
from fleetstats.errors import OutputError
from fleetstats.outputs import LIST, check_folder, own_folder, write_files


def write(out: Path, pages: Mapping[str, str]) -> None:
    with own_folder(out, "report") as place:
        for name, text in pages.items():
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            (place / name).write_text(text)


def held(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): path.read_text()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != LIST
    }


OLD = {"index.html": "old", "sites/a.html": "old a", "sites/b.html": "old b", "data/due.csv": "old due"}
NEW = {"index.html": "new", "sites/a.html": "new a", "crews/x.html": "new x"}
MINE = {
    "note.txt": "mine",
    "data/note.txt": "my note",
    "sites/photos/1.jpg": "photo",
    "records/visits.csv": "v",
}


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """A folder written by an earlier run, to which a person has added files of their own."""
    folder = tmp_path / "out"
    write(folder, OLD)
    for name, text in MINE.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder


def test_what_a_person_added_stays_and_the_earlier_pages_go(out: Path, tmp_path: Path) -> None:
    (out / "empty").mkdir()
    (out / "link").symlink_to(tmp_path)
    inode = (out / "note.txt").stat().st_ino
    write(out, NEW)
    assert held(out) == {**NEW, **MINE}
    assert (out / "empty").is_dir()
    assert (out / "link").readlink() == tmp_path
    assert (out / "note.txt").stat().st_ino == inode
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out"]


def test_a_page_that_a_person_changed_is_not_overwritten(out: Path) -> None:
    (out / "sites/a.html").write_text("old a, with my remarks")
    before = held(out)
    with pytest.raises(OutputError, match=r"'sites/a\.html' was changed since it was written; move it away"):
        write(out, NEW)
    assert held(out) == before


def test_a_file_that_lies_where_a_page_belongs_is_named(out: Path) -> None:
    (out / "crews").mkdir()
    (out / "crews/x.html").write_text("mine")
    before = held(out)
    with pytest.raises(OutputError, match=r"'crews/x\.html' is not of an earlier run"):
        write(out, NEW)
    assert held(out) == before


def test_a_list_that_names_files_outside_removes_none(out: Path, tmp_path: Path) -> None:
    (tmp_path / "precious").write_text("old")
    text = (out / LIST).read_text().replace('"index.html"', '"../precious"')
    (out / LIST).write_text(text)
    (out / "index.html").unlink()
    write(out, NEW)
    assert (tmp_path / "precious").read_text() == "old"


def test_a_failure_leaves_the_folder_as_it_was(out: Path, tmp_path: Path) -> None:
    before = held(out)
    with pytest.raises(TypeError):
        write(out, {"index.html": "half", "sites/a.html": None})  # type: ignore[dict-item]
    assert held(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


CHILD = """
import os, pathlib, sys
from fleetstats import outputs
out, stop = pathlib.Path(sys.argv[1]), int(sys.argv[2])
calls = 0
def counted(real):
    def call(*args, **named):
        global calls
        calls += 1
        if calls == stop:
            os.kill(os.getpid(), 9)
        return real(*args, **named)
    return call
for name in ("rename", "touch", "mkdir", "unlink", "rmdir"):
    setattr(pathlib.Path, name, counted(getattr(pathlib.Path, name)))
os.link = counted(os.link)
with outputs.own_folder(out, "report") as place:
    for name in ("index.html", "sites/a.html", "crews/x.html"):
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text("new" + {"sites/a.html": " a", "crews/x.html": " x"}.get(name, ""))
"""


def _killed_at(step: int, out: Path) -> bool:
    """Run a writing of NEW that kills itself at its n-th change of the disk; return whether it was killed."""
    root = Path(outputs.__file__).parents[1]
    found = subprocess.run(
        [sys.executable, "-c", CHILD, str(out), str(step)],
        env={**os.environ, "PYTHONPATH": str(root)},
        check=False,
    )
    assert found.returncode in (0, -signal.SIGKILL)
    return found.returncode != 0


def test_a_kill_at_any_step_is_settled_by_the_next_run(tmp_path: Path) -> None:
    step, killed = 1, True
    while killed:
        out = tmp_path / f"{step}" / "out"
        write(out, OLD)
        for name, text in MINE.items():
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            (out / name).write_text(text)
        killed = _killed_at(step, out)
        check_folder(out, "report")
        assert held(out) in ({**OLD, **MINE}, {**NEW, **MINE}), step
        write(out, {"index.html": "third"})
        assert held(out) == {"index.html": "third", **MINE}, step
        assert [path.name for path in out.parent.iterdir()] == ["out"], step
        step += 1
    assert step > 20


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_between_the_two_renames_waits_until_they_are_through(
    out: Path, monkeypatch: pytest.MonkeyPatch, number: signal.Signals
) -> None:
    came: list[int] = []
    before = signal.signal(number, lambda n, _: came.append(n))
    real = Path.rename

    def rename(path: Path, target: Path) -> Path:
        signal.raise_signal(number)
        assert not came
        return real(path, target)

    monkeypatch.setattr(Path, "rename", rename)
    try:
        write(out, NEW)
    finally:
        signal.signal(number, before)
    assert came
    assert held(out) == {**NEW, **MINE}


def test_two_runs_into_one_folder_do_not_meet(out: Path) -> None:
    before = held(out)
    with own_folder(out, "report") as place:
        (place / "index.html").write_text("first")
        with pytest.raises(OutputError, match="another run is writing there"):
            write(out, NEW)
        assert held(out) == before
    assert held(out) == {"index.html": "first", **MINE}


def test_files_are_written_whole_and_never_over_others(tmp_path: Path) -> None:
    one, two = tmp_path / "new" / "one.csv", tmp_path / "two.csv"
    two.write_text("mine")
    with pytest.raises(OutputError, match=r"two\.csv: is there already; say --replace"):
        write_files({one: b"1", two: b"2"}, replace=False)
    assert not one.exists()
    assert two.read_text() == "mine"
    write_files({one: b"1", two: b"2"}, replace=True)
    assert (one.read_bytes(), two.read_bytes()) == (b"1", b"2")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["new", "two.csv"]
    assert one.stat().st_mode & 0o777 == 0o666 & ~outputs._umask()


@pytest.mark.parametrize("kind", ["folder", "link", "pipe"])
def test_what_is_no_plain_file_is_refused_even_with_replace(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "x.csv"
    {"folder": path.mkdir, "link": lambda: path.symlink_to("y"), "pipe": lambda: os.mkfifo(path)}[kind]()
    with pytest.raises(OutputError, match="accepted is a plain file"):
        write_files({path: b"1"}, replace=True)


def test_a_folder_of_another_kind_is_not_replaced(out: Path) -> None:
    before = held(out)
    with pytest.raises(OutputError, match="which no folder of rows put there"):
        check_folder(out, "folder of rows")
    assert held(out) == before


def test_a_disk_without_second_names_is_written_to_all_the_same(
    out: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object, **__: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", none)
    write_files({tmp_path / "one.csv": b"1"}, replace=False)
    assert (tmp_path / "one.csv").read_bytes() == b"1"
    write(out, NEW)
    assert held(out) == {**NEW, **MINE}
