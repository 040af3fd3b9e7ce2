"""Writes the report's folder: every page, table, calendar and asset, swapped in whole or not at all."""

import importlib.util
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, Literal

from fleetstats.errors import ReportError
from fleetstats.outputs import own_folder
from fleetstats.report import due_calendar, tables
from fleetstats.report.names import file_stem
from fleetstats.report.pages import (
    due,
    index,
    lives,
    method,
    owner,
    papers,
    parts,
    records,
    starting,
    supplier,
    technician,
    trust,
)
from fleetstats.report.pages import site as site_pages
from fleetstats.report.render import Press
from fleetstats.report.results import Results
from fleetstats.report.tables import Table
from fleetstats.tables import reference

Audience = Literal["all", "supplier"]
#: What a folder of pages is called in its list of files.
REPORT = "report"
#: Sites whose rows are laid out together: bounds the memory of a report on ten thousand sites.
SITES_AT_ONCE = 250


@dataclass(frozen=True, slots=True)
class PacksPage:
    """The list of supplier packs in one folder; it stays in the house."""

    head: parts.Head
    packs: tuple[parts.Fact, ...]


def write_site(results: Results, out: Path, *, audience: Audience = "all") -> Path:
    """Return the first page of the report written into the folder `out`.

    The folder appears whole: pages are written beside it and swapped in at the end. An earlier report
    there is replaced; the same results give the same bytes.

    Parameters
    ----------
    results : Results
    out : Path
        A folder that does not exist, is empty, or holds an earlier report.
    audience : "all" or "supplier"
        "supplier" writes parts, months and totals alone, one folder a supplier where several are named.

    Raises
    ------
    OutputError
        If `out` is something else, or cannot be written.
    """
    if audience not in ("all", "supplier"):
        raise ReportError(f"report for '{audience}': accepted are 'all' and 'supplier'; choose one of them")
    out = Path(out)
    press = Press()
    with own_folder(out, REPORT) as place:
        if audience == "supplier":
            _write_packs(results, press, place)
        else:
            _write_all(results, press, place)
    return out / "index.html"


def _write_all(results: Results, press: Press, place: Path) -> None:
    for folder in ("assets", "data", "crews", "sites", "sheets", "service"):
        (place / folder).mkdir()
    _write_assets(press, place)
    _write(place / "data" / "tables.txt", reference())
    _write_due(results, press, place)
    # one page at a time: a large fleet's tables need not all be held while its sites are written
    for name, make in _OVERVIEW.items():
        _write_page(press, place, name, make(results))
    _write_sites(results, press, place)


_OVERVIEW: Mapping[str, Callable[[Results], Any]] = {
    "owner.html": owner.owner_page,
    "supplier.html": supplier.supplier_page,
    "sites.html": index.sites_page,
    "lives.html": lives.lives_page,
    "starting.html": starting.starting_page,
    "records.html": records.records_page,
    "trust.html": trust.trust_page,
    "method.html": method.method_page,
}


def _write_due(results: Results, press: Press, place: Path) -> None:
    """Write all that rests on the stops: first page, technician's page, crews' pages, calendar."""
    found = due.stops(results)
    week = due.this_week(found, results.as_of)
    _write_page(press, place, "index.html", index.index_page(results, stops=len(week)))
    _write_page(press, place, "technician.html", technician.technician_page(results, found))
    (place / "due.ics").write_bytes(due_calendar.due_calendar(found, results.as_of))
    for crew in technician.crew_pages(results, found):
        stem = file_stem(crew.crew)
        _write(place / "crews" / f"{stem}.html", press.page("crew.html", crew))
        own = [stop for stop in found if stop.crew == crew.crew]
        (place / "crews" / f"{stem}.ics").write_bytes(due_calendar.due_calendar(own, results.as_of))


def _write_page(press: Press, place: Path, name: str, page: Any) -> None:
    _write(place / name, press.page(name, page))
    _write_tables(place, page)


def _write_sites(results: Results, press: Press, place: Path) -> None:
    for some in results.sites.iter_slices(SITES_AT_ONCE):
        ledger = site_pages.Ledger(results, some)
        for row in some.iter_rows(named=True):
            name = f"{file_stem(row['site_id'])}.html"
            _write(place / "sites" / name, press.page("site.html", site_pages.site_page(ledger, row)))
            _write(place / "sheets" / name, press.page("sheet.html", papers.customer_sheet(ledger, row)))
            _write(place / "service" / name, press.page("record.html", papers.service_record(ledger, row)))


def _write_packs(results: Results, press: Press, place: Path) -> None:
    packs = supplier.supplier_packs(results)
    if len(packs) == 1:
        _write_pack(press, place, packs[0])
        return
    listed = []
    for pack in packs:
        name = pack.supplier or "supplier not on record"
        stem = file_stem(name)
        _write_pack(press, place / stem, pack)
        listed.append(parts.Fact(name, "", "", f"{stem}/index.html"))
    head = parts.head(results, "Packs for suppliers", plain=True)
    _write(place / "index.html", press.page("packs.html", PacksPage(head, tuple(listed))))


def _write_pack(press: Press, place: Path, pack: supplier.SupplierPage) -> None:
    place.mkdir(exist_ok=True)
    _write(place / "index.html", press.page("supplier.html", pack))
    _write_tables(place, pack)


def _write_tables(place: Path, page: Any) -> None:
    for table in _tables(page):
        if table.csv_href and table.rows:
            _write(place / table.csv_href, tables.csv_text(table))


def _tables(page: Any) -> Iterator[Table]:
    """Every table on a page, those inside its parts too."""
    for item in fields(page):
        value = getattr(page, item.name)
        for held in value if isinstance(value, tuple) else (value,):
            if isinstance(held, Table):
                yield held
            elif is_dataclass(held):
                yield from _tables(held)


def _write_assets(press: Press, place: Path) -> None:
    _write(place / "assets" / "style.css", press.style())
    _write(place / "assets" / "site.js", press.script())
    _write(place / "assets" / "what_if.js", press.script("what_if.js"))
    shutil.copyfile(_drawing_library(), place / "assets" / "plotly.min.js")


def _drawing_library() -> Path:
    """The drawing library's own script, as the installed package carries it; importing it is not needed."""
    found = importlib.util.find_spec("plotly")
    for place in found.submodule_search_locations or [] if found else []:
        path = Path(place) / "package_data" / "plotly.min.js"
        if path.is_file():
            return path
    raise ReportError(
        "the report's figures: the installed plotly package holds no package_data/plotly.min.js; "
        "install plotly again (any version from 6 on)"
    )


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))
