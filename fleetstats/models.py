"""The SQL models and checks that ship with fleetstats, each after the models it reads."""

import re
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

from fleetstats.errors import StoreError
from fleetstats.resources import folder

ROOMS = ("staging", "usage", "spells", "results")


@dataclass(frozen=True, slots=True)
class Model:
    """One SQL file: the name of the table it makes, its query, and the models its header says it reads."""

    name: str
    query: str
    reads: tuple[str, ...]


@cache
def models() -> tuple[Model, ...]:
    """Return the models in an order in which each comes after those it reads."""
    found = {model.name: model for room in ROOMS for model in _models_of(room)}
    graph = {name: [read for read in model.reads if read in found] for name, model in sorted(found.items())}
    try:
        return tuple(found[name] for name in TopologicalSorter(graph).static_order())
    except CycleError as exc:
        raise StoreError(f"the SQL models read one another in a circle: {exc.args[1]}") from exc


@cache
def checks() -> tuple[Model, ...]:
    """Return the checks; each gives the offending rows, and reads models but no other check."""
    return tuple(_models_of("checks"))


def _models_of(room: str) -> list[Model]:
    return [_model(path) for path in sorted((folder("sql") / room).glob("*.sql"))]


def _model(path: Path) -> Model:
    text = path.read_text(encoding="utf-8")
    header = re.search(r"^-- reads: (.+)$", text, flags=re.MULTILINE)
    if header is None:
        raise StoreError(f"SQL model {path.name}: the header line '-- reads: ...' is missing; add it")
    return Model(path.stem, text, tuple(name.strip() for name in header.group(1).split(",")))
