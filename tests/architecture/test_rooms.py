"""The house: data walks one way, pure rooms stay pure, files and functions stay small."""

import ast
from collections.abc import Iterator
from pathlib import Path

from tests.conftest import SLOW

PACKAGE = Path(__file__).resolve().parents[2] / "fleetstats"
ORACLE = PACKAGE.parent / "tests" / "hidden_truth"
#: A room may import only from rooms further left (or from itself).
WALK = [
    "errors", "resources", "outputs", "quantities", "safe_csv", "setting_rules", "components", "settings",
    "columns", "tables", "models", "schema", "store", "table_output",
    "intake", "life", "advice", "stock", "trust", "report", "pipeline", "analysis", "sample", "cli",
]  # fmt: skip
#: What the invented records, and the tests' oracle of what plans cost, may know of the product: no rule of it.
KNOWN_TO_SAMPLE = {"errors", "outputs", "quantities", "sample"}
PURE = (
    "quantities",
    "components",
    "life",
    "advice",
    "stock",
    "trust",
    "report/pages",
    "report/figures",
    "report/sketches",
)
FORBIDDEN_WHEN_PURE = {"duckdb", "pathlib", "os", "jinja2", "time", "shutil", "tempfile"}
HEAVY = {"lifelines", "pandas", "plotly", "scipy", "polars", "duckdb", "numpy", "jinja2", "icalendar"}
DRAWERS = {"utils", "helpers", "common", "misc", "manager"}

TEXTS = {str(path.relative_to(PACKAGE)): path.read_text() for path in sorted(PACKAGE.rglob("*.py"))}
TREES = {name: ast.parse(text) for name, text in TEXTS.items()}


def room_of(name: str) -> str:
    return name.split("/", maxsplit=1)[0].removesuffix(".py")


def imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def rooms_used(tree: ast.AST) -> set[str]:
    """Return the rooms of the product that a file imports from."""
    parts = [name.split(".") for name in imports(tree)]
    return {part[1] for part in parts if part[0] == "fleetstats" and len(part) > 1}


def test_every_room_is_on_the_walk() -> None:
    assert {room_of(name) for name in TEXTS} - {"__init__"} <= set(WALK)


def test_a_room_imports_only_from_rooms_before_it() -> None:
    backwards = [
        f"{name} imports {used}"
        for name, tree in TREES.items()
        for used in rooms_used(tree) & set(WALK)
        if name != "__init__.py" and WALK.index(used) > WALK.index(room_of(name))
    ]
    assert backwards == []


def test_only_the_command_line_invents_records() -> None:
    users = {room_of(name) for name, tree in TREES.items() if "sample" in rooms_used(tree)}
    assert users == {"sample", "cli"}


def test_the_invented_truth_shares_no_rule_with_the_product() -> None:
    oracle = [
        ast.parse(path.read_text()) for path in ORACLE.glob("*.py") if not path.name.startswith("test_")
    ]
    assert len(oracle) >= 4
    own = [tree for name, tree in TREES.items() if room_of(name) == "sample"]
    assert set().union(*(rooms_used(tree) for tree in own + oracle)) <= KNOWN_TO_SAMPLE


def test_pure_rooms_see_no_disk_store_or_clock() -> None:
    pure = {name: tree for name, tree in TREES.items() if name.startswith(PURE)}
    assert len(pure) > 50
    seen = {name: {used.split(".")[0] for used in imports(tree)} for name, tree in pure.items()}
    assert {name: found for name, used in seen.items() if (found := used & FORBIDDEN_WHEN_PURE)} == {}


def test_only_the_command_line_reads_the_clock() -> None:
    readers = {room_of(name) for name, text in TEXTS.items() if ".today(" in text or ".now(" in text}
    assert readers == {"cli"}


def test_the_command_line_imports_nothing_heavy_at_its_top() -> None:
    top = {name.split(".")[0] for node in TREES["cli.py"].body for name in imports(ast.Module([node], []))
           if not isinstance(node, ast.FunctionDef | ast.ClassDef)}  # fmt: skip
    assert not top & HEAVY


def test_files_stay_small_and_say_their_job_in_their_first_line() -> None:
    assert {name: lines for name, text in TEXTS.items() if (lines := text.count("\n")) > 400} == {}
    first = {
        name: (ast.get_docstring(tree) or "").split("\n")[0]
        for name, tree in TREES.items()
        if TEXTS[name].strip()
    }
    assert [name for name, line in first.items() if not line.endswith(".") and ":" not in line] == []
    assert not {Path(name).stem for name in TEXTS} & DRAWERS


def test_what_is_called_slow_is_there() -> None:
    assert [name for name in SLOW if not (PACKAGE.parent / "tests" / name).exists()] == []


def test_no_test_measures_time_by_the_clock() -> None:
    """Tests about speed count calls or imports; ratios of times are for studies run by hand."""
    tests = [path for path in (PACKAGE.parent / "tests").rglob("test_*.py") if path != Path(__file__)]
    clocks = ("perf_counter", "process_time", "monotonic", "time.time(")
    assert [path.name for path in tests if any(clock in path.read_text() for clock in clocks)] == []


def test_functions_stay_small() -> None:
    long = {}
    for name, tree in TREES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                doc = ast.get_docstring(node)
                lines = node.end_lineno - node.lineno + 1 - (doc.count("\n") + 2 if doc else 0)
                if lines > 40:
                    long[f"{name}: {node.name}"] = lines
    assert long == {}
