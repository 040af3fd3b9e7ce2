"""One Chromium and one written report for all tests; skipped, and said why, where there is none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
    if not Path(path).is_file():
        pytest.skip(f"no Chromium at {path}: set CHROMIUM to one")
    with playwright.sync_playwright() as running:
        found = running.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield found
        found.close()


@pytest.fixture
def opened(browser: Any, report: Path) -> Iterator[Any]:
    """Open a page of the report; everything that it says or asks for is kept in `heard`."""
    contexts = []

    def open_page(name: str, *, width: int = 1280, heard: list[str] | None = None, **more: Any) -> Any:
        context = browser.new_context(viewport={"width": width, "height": 800}, **more)
        contexts.append(context)
        page = context.new_page()
        if heard is not None:
            page.on("console", lambda message: heard.append(f"{message.type}: {message.text}"))
            page.on("pageerror", lambda error: heard.append(f"error: {error}"))
            page.on(
                "request", lambda asked: None if asked.url.startswith("file:") else heard.append(asked.url)
            )
        page.goto((report / name).as_uri())
        if more.get("java_script_enabled", True):
            page.wait_for_selector(".plot:not(.drawn)", state="detached")
        return page

    yield open_page
    for context in contexts:
        context.close()
