"""A second UV unit of a firm's own name reads well on every page."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from fleetstats import pipeline
from fleetstats.settings import load_settings
from tests.studies.same_results import _Words, planted_firm

#: What a label made from the letters of a name leaves behind.
ODD = re.compile(
    r"\bThe \d|uv_lamp_2|\blamp2\b|\buv lamp\b|\bUV lamp s\b|\bThe check valves? (is|are) looked at first"
)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    folder = tmp_path_factory.mktemp("second")
    planted_firm(folder / "records")
    index = pipeline.build(
        sorted((folder / "records").glob("*.csv")), out=folder / "out", store=":memory:",
        settings=load_settings(folder / "records" / "fleet.toml"), as_of=None, today=date(2026, 12, 1),
        progress=lambda _: None,
    )[2]  # fmt: skip
    return {
        page.relative_to(index.parent).as_posix(): words_of(page) for page in index.parent.rglob("*.html")
    }


def words_of(page: Path) -> list[str]:
    words = _Words()
    words.feed(page.read_text(encoding="utf-8"))
    return words.lines


@pytest.mark.slow
def test_no_page_calls_it_by_the_letters_of_its_name(pages: dict[str, list[str]]) -> None:
    odd = {name: line for name, lines in pages.items() for line in lines if ODD.search(line)}
    assert odd == {}


@pytest.mark.slow
def test_its_pages_name_it(pages: dict[str, list[str]]) -> None:
    named = [name for name, lines in pages.items() if any("UV lamp 2" in line for line in lines)]
    assert {"owner.html", "technician.html", "lives.html", "method.html"} <= set(named)
    assert sum(name.startswith("sites/") for name in named) >= 5
