"""Published data tables, by name."""

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

_FOLDER = Path(__file__).parent / "data"


@pytest.fixture(scope="session")
def published() -> Callable[[str], pl.DataFrame]:
    """Return a reader of the data tables; their sources stand in data/README.md."""
    return lambda name: pl.read_csv(_FOLDER / f"{name}.csv")
