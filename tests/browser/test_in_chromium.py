"""The report as Chromium shows it from disk: silent, quiet on the network, usable by everyone."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from tests.browser.accessibility import assert_accessible

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

TOP = [
    "index.html", "owner.html", "technician.html", "supplier.html", "sites.html", "lives.html",
    "starting.html", "records.html", "trust.html", "method.html",
]  # fmt: skip


@pytest.fixture(scope="session")
def names(report: Path) -> dict[str, str]:
    """One page of each kind by its name."""
    one = {
        kind: str(min(report.glob(f"{kind}/*.html")).relative_to(report))
        for kind in ("sites", "sheets", "crews")
    }
    return {**{name: name for name in TOP}, **one}


KINDS = [*TOP, "sites", "sheets", "crews"]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (360, "dark")])
def test_no_word_on_the_console_no_request_and_no_sideways_scroll(
    opened: Any, names: dict[str, str], kind: str, width: int, scheme: str
) -> None:
    heard: list[str] = []
    page = opened(names[kind], width=width, heard=heard, color_scheme=scheme)
    assert heard == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("kind", KINDS)
def test_axe_finds_nothing(opened: Any, names: dict[str, str], kind: str) -> None:
    assert_accessible(partial(opened, names[kind]))


def test_dark_mode_is_dark_and_figures_follow_it(opened: Any) -> None:
    page = opened("owner.html", color_scheme="dark")
    background = "getComputedStyle(document.body).backgroundColor"
    assert page.evaluate(background) == "rgb(16, 25, 30)"
    bar = "getComputedStyle(document.querySelector('#visit-intervals .bars path')).fill"
    dark = page.evaluate(bar)
    page.emulate_media(color_scheme="light")
    for _ in range(100):
        if page.evaluate(bar) != dark:
            break
        page.wait_for_timeout(20)
    assert page.evaluate(background) == "rgb(251, 250, 246)"
    assert (dark, page.evaluate(bar)) == ("rgb(86, 180, 233)", "rgb(0, 114, 178)")


def test_without_script_words_and_tables_are_there(opened: Any) -> None:
    page = opened("owner.html", java_script_enabled=False)
    assert page.locator("#plans tbody tr").count() == 50
    assert "The first 50 of 60 rows. Open all 60 rows as CSV." in page.inner_text("#plans-note")
    assert "This drawing needs script" in page.inner_text("#visit-intervals")
    assert page.locator("thead button").count() == 0


def test_a_table_is_sorted_by_value_whole_and_says_so(opened: Any) -> None:
    page = opened("owner.html")
    heading = page.locator("#plans thead th").nth(6)
    assert heading.get_attribute("aria-sort") is None
    heading.locator("button").click()
    assert heading.get_attribute("aria-sort") == "ascending"
    cells = page.locator("#plans tbody td:nth-child(7)")
    shown = [float(text.replace(",", "")) for text in cells.all_inner_texts()]
    assert shown == sorted(shown)
    heading.locator("button").click()
    assert heading.get_attribute("aria-sort") == "descending"
    turned = [float(text.replace(",", "")) for text in cells.all_inner_texts()]
    assert turned == sorted(turned, reverse=True)
    # sixty rows, fifty shown: the other end of the table holds rows that were not in the page at first
    assert max(turned) > max(shown)


def test_rows_beyond_the_first_are_found_by_the_filter_and_shown_on_demand(opened: Any) -> None:
    page = opened("technician.html")
    section = page.locator("section[aria-labelledby=due]")
    assert section.get_by_role("status").inner_text() == "50 of 228 rows shown"
    section.get_by_role("searchbox").fill("heron bay 59")
    assert section.get_by_role("status").inner_text() == "4 of 4 rows shown"
    assert section.locator("tbody a").first.get_attribute("href").startswith("sites/hb-0059-")
    section.get_by_role("searchbox").fill("")
    section.get_by_role("button", name="Show more rows").click()
    assert section.get_by_role("status").inner_text() == "228 of 228 rows shown"


def test_a_silly_name_beyond_the_first_rows_stays_text(opened: Any) -> None:
    heard: list[str] = []
    page = opened("sites.html", heard=heard)
    page.on("dialog", lambda dialog: heard.append(dialog.message))
    page.get_by_role("searchbox").fill("alert(1)")
    assert page.locator("#sites tbody th").inner_text() == "HB-0000 – <script>alert(1)</script>"
    assert heard == []


def test_the_keyboard_reaches_skip_link_navigation_sorting_and_filter(opened: Any) -> None:
    page = opened("sites.html")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    reached = set()
    for _ in range(6):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.tagName + '.' + document.activeElement.className"))
    assert {"INPUT.", "DIV.scroll wide-table", "BUTTON."} <= reached


@pytest.mark.parametrize("kind", ["owner.html", "technician.html", "sites", "sheets"])
def test_a_page_prints(opened: Any, names: dict[str, str], kind: str, tmp_path: Path) -> None:
    page = opened(names[kind], color_scheme="dark")
    page.pdf(path=str(tmp_path / "page.pdf"), format="A4")
    data = (tmp_path / "page.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    sides = len(re.findall(rb"/Type\s*/Page\b(?!s)", data))
    assert sides == 1 if kind == "sheets" else 1 <= sides <= 12


def test_print_is_on_white_paper_even_from_dark_mode(opened: Any) -> None:
    page = opened("owner.html", color_scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    bar = "getComputedStyle(document.querySelector('#visit-intervals .bars path')).fill"
    assert page.evaluate(bar) == "rgb(0, 114, 178)"


def test_the_supplier_pack_opens_by_itself(opened: Any, tmp_path: Path) -> None:
    from fleetstats.report import write_site
    from tests.report_fixture import invent

    heard: list[str] = []
    index = write_site(invent(24), tmp_path / "pack", audience="supplier")
    page = opened(str(index), heard=heard, width=360)
    assert heard == []
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.locator("svg.sketch").count() > 2
