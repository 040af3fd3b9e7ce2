"""Writing a report: the same bytes each time, whole or not at all, never over what is not ours."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from fleetstats.errors import OutputError, ReportError
from fleetstats.report import Results, site, write_site
from fleetstats.settings import Settings
from tests.report_fixture import AS_OF, invent


def digests(folder: Path) -> Mapping[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_results_give_the_same_bytes(tmp_path: Path) -> None:
    write_site(invent(12), tmp_path / "one")
    write_site(invent(12), tmp_path / "two")
    assert digests(tmp_path / "one") == digests(tmp_path / "two")


def test_other_results_replace_an_earlier_report_without_a_trace_of_it(tmp_path: Path) -> None:
    write_site(invent(12), tmp_path / "out")
    index = write_site(invent(3), tmp_path / "out")
    assert index == tmp_path / "out" / "index.html"
    assert len(list((tmp_path / "out" / "sites").iterdir())) == 3
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_empty_folder_may_be_taken(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    assert write_site(invent(1), tmp_path / "out").is_file()


@pytest.mark.parametrize("kind", ["folder", "file", "link"])
def test_what_is_not_ours_is_never_overwritten(tmp_path: Path, kind: str) -> None:
    out = tmp_path / "out"
    if kind == "file":
        out.write_text("mine")
    elif kind == "link":
        (tmp_path / "elsewhere").mkdir()
        out.symlink_to(tmp_path / "elsewhere")
    elif kind == "folder":
        out.mkdir()
        (out / "thesis.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"accepted are a new folder|name a new folder"):
        write_site(invent(1), out)
    assert out.read_text() == "mine" if kind == "file" else True
    assert (out / "thesis.txt").read_text() == "mine" if kind == "folder" else True


def test_a_failure_half_way_leaves_the_earlier_report_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write_site(invent(2), out)
    before = digests(out)

    def full_disk(path: Path, text: str) -> None:
        if "sheets" in path.parts:
            raise OSError(28, "No space left on device")
        path.write_text(text, encoding="utf-8")

    monkeypatch.setattr(site, "_write", full_disk)
    with pytest.raises(OutputError, match="No space left on device"):
        write_site(invent(3), out)
    assert digests(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_no_records_at_all_still_make_a_report_that_says_so(tmp_path: Path) -> None:
    folder = write_site(Results(date(2026, 1, 1), Settings(components={})), tmp_path / "out").parent
    said = {path.name: path.read_text(encoding="utf-8") for path in folder.glob("*.html")}
    assert "No visits are on record up to 1 Jan 2026" in said["index.html"]
    assert "No call-outs are on record." in said["owner.html"]
    assert "No stop is due this week." in said["technician.html"]
    assert "No need is forecast" in said["supplier.html"]
    assert "No life model was fitted" in said["method.html"]


@pytest.mark.parametrize("missing", sorted(invent(1).tables))
def test_any_one_frame_may_be_empty(tmp_path: Path, missing: str) -> None:
    full = invent(4)
    assert write_site(full.replaced(**{missing: pl.DataFrame()}), tmp_path / "out").is_file()


def test_an_unknown_audience_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="accepted are 'all' and 'supplier'"):
        write_site(invent(1), tmp_path / "out", audience="everyone")  # type: ignore[arg-type]
    assert not (tmp_path / "out").exists()


def test_results_print_their_own_day_not_todays(tmp_path: Path) -> None:
    page = write_site(invent(1), tmp_path / "out").read_text(encoding="utf-8")
    assert f"As known on {AS_OF.day} Nov {AS_OF.year}" in page
