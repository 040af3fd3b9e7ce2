"""One report written once, for the tests that read its files."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleetstats.report import write_site
from tests.report_fixture import invent


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_site(invent(60), tmp_path_factory.mktemp("all") / "report").parent


@pytest.fixture(scope="session")
def pages(report: Path) -> dict[str, str]:
    """Every page of the report by its path."""
    return {
        str(path.relative_to(report)): path.read_text(encoding="utf-8")
        for path in sorted(report.rglob("*.html"))
    }
