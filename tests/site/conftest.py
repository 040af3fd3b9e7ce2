"""One report written once, for the tests that read its files."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def pages(report: Path) -> dict[str, str]:
    """Every page of the report by its path."""
    return {
        str(path.relative_to(report)): path.read_text(encoding="utf-8")
        for path in sorted(report.rglob("*.html"))
    }
