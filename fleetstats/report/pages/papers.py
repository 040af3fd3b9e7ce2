"""Papers of one site that go to others: the customer's sheet and the record of service."""

from dataclasses import dataclass
from typing import Any, Final

from fleetstats.report import labels, tables, words
from fleetstats.report.pages import due as due_page
from fleetstats.report.pages import parts
from fleetstats.report.pages.parts import Fact, Head
from fleetstats.report.pages.site import Ledger, Visit, late_notes, next_stop, unit_name, visit_told
from fleetstats.report.tables import Column, Table

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class CustomerSheet:
    """What is left with the customer: work done, next visit, cautions of a household, whom to call."""

    head: Head
    name: str
    last_visit: str
    done: tuple[str, ...]
    next_visit: str
    planned: tuple[str, ...]
    notes: tuple[str, ...]
    contact: str


@dataclass(frozen=True, slots=True)
class ServiceRecord:
    """What an inspector asks for: every visit, what was done and found, what is in place, water samples."""

    head: Head
    name: str
    in_place: tuple[Fact, ...]
    visits: tuple[Visit, ...]
    samples: Table


def customer_sheet(ledger: Ledger, site: Row) -> CustomerSheet:
    """Return the sheet for a site's customer: no chances, costs, neighbours, remarks or people's names."""
    site_id, results = site["site_id"], ledger.results
    visits = ledger.visits.get(site_id, [])
    done = ledger.work.get(visits[-1]["visit_id"], []) if visits else []
    next_when, tasks = next_stop(ledger, site_id)
    title = f"Service sheet {words.DASH} {site['site_name'] or site_id}"
    return CustomerSheet(
        head=parts.head(results, title, root="../", plain=True),
        name=site["site_name"] or site_id,
        last_visit=words.day(visits[-1]["visit_date"]) if visits else "",
        done=tuple(
            f"{unit_name(ledger, row)}: {labels.ACTIONS.get(row['action'] or '', 'seen to')}" for row in done
        ),
        next_visit="now due" if next_when.startswith("overdue") else next_when,
        planned=(
            *(task.what for task in due_page.sample_task(site)),
            *(parts.task(results, {**row, "part_number": None, "part_in_place": None}) for row in tasks),
        ),
        notes=(*map(labels.untreated, ledger.unsafe.get(site_id, [])), *late_notes(ledger, tasks)),
        contact=results.display.contact,
    )


def service_record(ledger: Ledger, site: Row) -> ServiceRecord:
    """Return the record of service of a site: facts on record alone, no intervals, chances or costs."""
    site_id, results = site["site_id"], ledger.results
    held = [row for row in ledger.in_place.get(site_id, []) if not row["removed"]]
    held.sort(key=lambda row: (ledger.rank(row["component"]), row["slot"] or ""))
    title = f"Record of service {words.DASH} {ledger.names[site_id]}"
    return ServiceRecord(
        head=parts.head(results, title, root="../", plain=True),
        name=ledger.names[site_id],
        in_place=tuple(Fact(unit_name(ledger, row), _held(row)) for row in held),
        visits=tuple(visit_told(ledger, row, part=True) for row in ledger.visits.get(site_id, [])),
        samples=_samples(ledger.samples.get(site_id, [])),
    )  # fmt: skip


def _held(row: Row) -> str:
    told = parts.put_in(row)
    return f"{row['part_number']}, {told}" if row["part_number"] else told


def _samples(samples: list[Row]) -> Table:
    rows = tuple(
        (
            tables.day(row["sampled_on"]), tables.text(labels.plain(row["parameter"])),
            tables.text(row["result"]), tables.text(_PASSED.get(row["passed"], "not noted")),
            tables.text(row["laboratory_ref"]),
        )
        for row in samples
    )  # fmt: skip
    columns = (
        Column("sampled_on", "Taken on"), Column("parameter", "What"), Column("result", "Result"),
        Column("passed", "Passed"), Column("laboratory_ref", "Laboratory's number"),
    )  # fmt: skip
    return Table("samples", "Water samples", columns, rows, "No water sample is on record.")


_PASSED: Final = {True: "yes", False: "no"}
