"""The written report: links, policy, escaping, words, cautions, files beside the pages."""

from __future__ import annotations

import base64
import csv
import hashlib
import html
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from icalendar import Calendar

#: One worker makes what these tests share, once.
pytestmark = pytest.mark.xdist_group("pages")

NEVER_OUTSIDE_CAUTIONS = r"\b(safe|unsafe|safely|safety|protected|pure|compliant)\b"
#: Words of statistics that belong on the method page alone.
METHOD_ONLY = (
    r"\b(censor\w*|hazard|priors?|tau|sigma|likelihood|posterior|bayes\w*|weibull|lognormal|covariates?|"
    r"quantiles?|percentiles?|survival|log-?odds|spells?|confidence|evidence)\b"
)
CAUTIONS = (
    "Isolate the UV unit from power and let it cool", "Never look at a lit lamp", "Relieve the pressure",
    "O-rings", "Sanitise", "unsafe to drink", "Mercury lamps are hazardous waste", "Makers' instructions",
    "licensed practice come first", "no proof of disinfection",
)  # fmt: skip


class Page(HTMLParser):
    """Links, ids, text, and text outside the cautions, of one page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.ids: list[str] = []
        self.scripts: list[dict[str, str | None]] = []
        self.handlers: list[str] = []
        self.words: list[str] = []
        self.outside: list[str] = []
        self._silent = 0
        self._cautions = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        self.links += [value for key in ("href", "src") if (value := named.get(key))]
        self.ids += [value for value in [named.get("id")] if value]
        self.handlers += [key for key in named if key.startswith("on") or key == "style"]
        if tag == "script":
            self.scripts.append(named)
        if tag in ("script", "style"):
            self._silent += 1
        if tag == "section" and "cautions" in (named.get("class") or ""):
            self._cautions += 1

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style"):
            self._silent -= 1
        if tag == "section" and self._cautions:
            self._cautions -= 1

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.words.append(data)
            if not self._cautions:
                self.outside.append(data)


@pytest.fixture(scope="session")
def parsed(pages: dict[str, str]) -> dict[str, Page]:
    return {name: Page(text) for name, text in pages.items()}


def test_all_pages_are_there(report: Path, pages: dict[str, str]) -> None:
    top = {
        "index", "owner", "technician", "supplier", "sites", "lives", "starting", "records", "trust", "method",
    }  # fmt: skip
    assert {name.removesuffix(".html") for name in pages if "/" not in name} == top
    assert sum(name.startswith("sites/") for name in pages) == 60
    assert sum(name.startswith("sheets/") for name in pages) == 60
    assert sum(name.startswith("crews/") for name in pages) == 2
    assert (report / "assets" / "plotly.min.js").stat().st_size > 1_000_000


def test_every_link_leads_to_a_file_of_the_report(report: Path, parsed: dict[str, Page]) -> None:
    for name, page in parsed.items():
        for link in page.links:
            parts = urlsplit(link)
            assert not parts.scheme
            assert not parts.netloc, f"{name} links outside: {link}"
            if parts.path:
                assert (report / name).parent.joinpath(parts.path).resolve().is_file(), f"{name}: {link}"
            else:
                assert parts.fragment in page.ids


def test_no_file_of_ours_names_an_address_outside(report: Path) -> None:
    for path in report.rglob("*"):
        if path.is_file() and path.name != "plotly.min.js":
            assert not re.search(rb"(https?:)?//[a-z0-9-]+\.[a-z]", path.read_bytes()), path


def test_ids_are_unique_on_each_page(parsed: dict[str, Page]) -> None:
    for name, page in parsed.items():
        assert len(page.ids) == len(set(page.ids)), name


def test_every_page_has_a_strict_policy_and_keeps_it(pages: dict[str, str], parsed: dict[str, Page]) -> None:
    for name, text in pages.items():
        found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', text)
        assert found, name
        policy = found[1]
        assert policy.startswith("default-src 'none';")
        assert "base-uri 'none'; form-action 'none'" in policy
        assert not parsed[name].handlers, f"{name} carries inline handlers or styles"
        runs = [s for s in parsed[name].scripts if s.get("type") != "application/json"]
        style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)
        if style:
            digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
            assert f"style-src 'sha256-{digest}'" in policy
            assert not parsed[name].scripts, f"{name} is a page without script"
            assert "script-src" not in policy
        else:
            assert "script-src 'self';" in policy
            assert all(s.get("src") and "defer" in s for s in runs)
        assert ("'unsafe-inline'" in policy) == ("plotly.min.js" in text)


def test_the_drawing_library_is_loaded_on_overview_pages_only(pages: dict[str, str]) -> None:
    loading = {name for name, text in pages.items() if "plotly" in text}
    assert loading == {"owner.html", "technician.html", "trust.html"}


def test_a_site_with_a_silly_name_is_just_a_site_with_a_silly_name(pages: dict[str, str]) -> None:
    said = [name for name, text in pages.items() if "alert(1)" in text]
    assert "owner.html" in said
    for name in said:
        assert "<script>alert" not in pages[name]
        assert (
            html.escape("<script>alert(1)</script>") in pages[name] or "\\u003cscript\\u003e" in pages[name]
        )


def test_words_outside_the_cautions_promise_nothing(parsed: dict[str, Page]) -> None:
    for name, page in parsed.items():
        found = re.search(NEVER_OUTSIDE_CAUTIONS, " ".join(page.outside), re.IGNORECASE)
        assert not found, f"{name}: {found and found[0]}"


def test_words_of_statistics_stand_on_the_method_page_alone(parsed: dict[str, Page]) -> None:
    for name, page in parsed.items():
        found = re.search(METHOD_ONLY, " ".join(page.words), re.IGNORECASE)
        if name == "method.html":
            assert found
        else:
            assert not found, f"{name}: {found and found[0]}"


def test_an_uncertainty_is_never_called_an_interval(parsed: dict[str, Page]) -> None:
    for name, page in parsed.items():
        if name != "method.html":
            assert not re.search(r"interval of (the )?(estimate|range)|90 % interval", " ".join(page.words))


def test_cautions_stand_wherever_work_is_described(parsed: dict[str, Page]) -> None:
    working = [
        name for name in parsed
        if name.startswith(("sites/", "crews/"))
        or name in ("index.html", "owner.html", "technician.html", "starting.html", "method.html")
    ]  # fmt: skip
    for name in working:
        text = " ".join(parsed[name].words)
        assert all(caution in text for caution in CAUTIONS), name


def test_the_customers_sheet_carries_a_households_cautions_not_a_technicians(parsed: dict[str, Page]) -> None:
    for name, page in parsed.items():
        if name.startswith("sheets/"):
            text = " ".join(page.words)
            assert "Do not open the filter housings or the UV unit yourself" in text, name
            assert "Never look at a lit lamp" in text
            assert "treat the water as unsafe to drink" in text
            assert "Relieve the pressure" not in text
            assert "Isolate the UV unit" not in text


def test_the_record_of_service_is_facts_alone(parsed: dict[str, Page]) -> None:
    papers = [name for name in parsed if name.startswith("service/")]
    assert len(papers) == 60
    for name in papers:
        text = " ".join(parsed[name].words)
        assert not re.search(r" in 10|1 in |USD|sites like|interval|cheapest", text), name
        assert "no proof that the water is disinfected" in text
        assert "Water samples" in text


def test_the_as_of_day_is_printed_on_every_page(parsed: dict[str, Page]) -> None:
    assert all("As known on 20 Nov 2026" in " ".join(page.words) for page in parsed.values())


def test_the_customers_sheet_names_no_neighbour_cost_chance_or_remark(parsed: dict[str, Page]) -> None:
    for name, page in parsed.items():
        if name.startswith("sheets/"):
            text = " ".join(page.words)
            assert not re.search(r" in 10|1 in |USD|sites like|HB-|call-out|part [A-Z]", text), name
            assert not page.links[1:], f"{name} leads nowhere but to its own main part"


def test_long_tables_follow_as_data_and_say_so(pages: dict[str, str]) -> None:
    text = pages["technician.html"]
    assert 'id="due-list-rest"' in text
    due = re.search(r'<table id="due-list".*?</table>', text, re.DOTALL)
    assert due
    assert due[0].count("<tr>") == 51


def test_csv_files_are_whole_and_harmless(report: Path, pages: dict[str, str]) -> None:
    with (report / "due.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 200
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", rows[0]["visit_by"])
    assert float(rows[0]["chance_already_spent"]) == 0.3
    for path in [*report.glob("data/*.csv"), report / "due.csv"]:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                for cell in row.values():
                    assert re.fullmatch(r"-?[\d.]+(e[+-]\d+)?", cell) or not cell.startswith(
                        ("=", "+", "-", "@")
                    ), path


def test_the_refused_value_that_looks_like_a_formula_is_quoted(report: Path) -> None:
    assert "'=31/02/2024" in (report / "data" / "refused.csv").read_text(encoding="utf-8")


def test_the_calendar_can_be_read_back(report: Path) -> None:
    calendar = Calendar.from_ical((report / "due.ics").read_bytes())
    assert len(calendar.walk("VEVENT")) == 57


def test_pages_of_sites_stay_small(report: Path) -> None:
    sizes = [path.stat().st_size for path in report.glob("sites/*.html")]
    assert max(sizes) < 32_000
