"""The house: data walks one way, pure rooms stay pure, files and functions stay small."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "fleetstats"
#: A room may import only from rooms further left (or from itself).
WALK = [
    "errors", "resources", "setting_rules", "settings", "sample", "models", "schema", "store", "intake", "life", "advice",
    "stock", "trust", "report", "pipeline", "cli",
]  # fmt: skip
PURE = ("life", "advice", "stock", "trust", "report/pages", "report/figures", "report/sketches")
FORBIDDEN_WHEN_PURE = {"duckdb", "pathlib", "os", "jinja2", "time", "shutil", "tempfile"}
HEAVY = {"lifelines", "pandas", "plotly", "scipy", "polars", "duckdb", "numpy", "jinja2", "icalendar"}

FILES = sorted(PACKAGE.rglob("*.py"))
NAMES = [str(path.relative_to(PACKAGE)) for path in FILES]


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_a_room_imports_only_from_rooms_before_it(path: Path) -> None:
    room = room_of(path)
    if room == "__init__":
        return
    own = WALK.index(room)
    for name in imports(ast.parse(path.read_text())):
        parts = name.split(".")
        if parts[0] == "fleetstats" and len(parts) > 1 and parts[1] in WALK:
            assert WALK.index(parts[1]) <= own, f"{room} imports {name}, a room after it"


def test_every_room_is_on_the_walk() -> None:
    assert {room_of(path) for path in FILES} - {"__init__"} <= set(WALK)


@pytest.mark.parametrize(
    "path", [p for p in FILES if str(p.relative_to(PACKAGE)).startswith(PURE)], ids=lambda p: p.name
)
def test_pure_rooms_see_no_disk_store_or_clock(path: Path) -> None:
    text = path.read_text()
    found = {name.split(".")[0] for name in imports(ast.parse(text))}
    assert not found & FORBIDDEN_WHEN_PURE
    assert "date.today(" not in text
    assert "datetime.now(" not in text


@pytest.mark.parametrize("path", [p for p in FILES if room_of(p) != "cli"], ids=lambda p: p.name)
def test_only_the_command_line_reads_the_clock(path: Path) -> None:
    text = path.read_text()
    assert ".today(" not in text
    assert ".now(" not in text


def test_the_command_line_imports_nothing_heavy_at_its_top() -> None:
    tree = ast.parse((PACKAGE / "cli.py").read_text())
    top = {name.split(".")[0] for node in tree.body for name in imports(ast.Module([node], []))
           if not isinstance(node, ast.FunctionDef | ast.ClassDef)}  # fmt: skip
    assert not top & HEAVY


@pytest.mark.parametrize("path", FILES, ids=NAMES)
def test_files_and_functions_stay_small_and_say_their_job(path: Path) -> None:
    text = path.read_text()
    tree = ast.parse(text)
    assert text.count("\n") <= 400
    if text.strip():
        assert ast.get_docstring(tree), "the first line says the file's one job"
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            doc = ast.get_docstring(node)
            lines = node.end_lineno - node.lineno + 1 - (doc.count("\n") + 2 if doc else 0)
            assert lines <= 40, f"{node.name} has {lines} lines"


def test_no_file_is_a_drawer_for_everything() -> None:
    drawers = {"utils", "helpers", "common", "misc", "manager"}
    assert not {path.stem for path in FILES} & drawers
