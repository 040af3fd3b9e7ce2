"""Shows what a change of the code changes: every result table and every page's words, on three fleets.

    python tests/studies/same_results.py record BEFORE     # on the tree before the change
    python tests/studies/same_results.py record AFTER      # on the tree after it
    python tests/studies/same_results.py compare BEFORE AFTER

`record` needs a folder that does not exist yet. Fleets: the sample records; the log of tests/data by a draft
map; and a planted firm, made of the sample's first homes with decisions, blocked months, site limits, a
hidden kind, a second UV unit and homes at one address. Numbers are compared to six digits.
"""

from __future__ import annotations

import csv
import difflib
import os
import sys
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import polars as pl
import polars.selectors as cs

from fleetstats.pipeline import build, write_draft
from fleetstats.settings import Settings, default_settings, load_settings
from fleetstats.store import Store

ROOT = Path(__file__).resolve().parents[2]
TODAY = date(2026, 12, 1)
#: Homes of the sample that the planted firm looks after.
HOMES = 32
PLANTED_SETTINGS = """
trip_cost = 95
lateness_days = 10
local_rule_days = 240
local_rule_source = "district notice"
blocked_months = [1]
blocked_months_at = { "H-004" = [12, 1] }
crew_stops_per_week = 9
contact = "office"

[component.uv_lamp_2]
role = "lamp"
end_conditions = ["failed"]
callout_causes = ["uv_alarm"]
rated_life_days = 365
current_interval_days = 365
failure_chance_limit = 0.5

[component.check_valve]
role = "other"
end_conditions = ["damaged"]
announced = false
hidden_day_cost = 0.4
"""
#: Lines of the output of `compare` for one file, at most.
LINES_SHOWN = 12


class _Words(HTMLParser):
    """The visible text of a page, one line a block."""

    _HIDDEN = ("script", "style", "template")

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in self._HIDDEN

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in self._HIDDEN

    def handle_data(self, data: str) -> None:
        words = " ".join(data.split())
        if words and not self._hidden:
            self.lines.append(words)


def record(out: Path) -> None:
    """Write tables and pages of the three fleets under `out`."""
    out.mkdir(parents=True)
    with TemporaryDirectory() as held:
        work = Path(held)
        _one(out / "demo", work, [ROOT / "sample_data"], default_settings())
        log = ROOT / "tests" / "data" / "ridge_service_log.xlsx"
        drafted = work / "ridge_map.toml"
        write_draft(log, out=drafted, settings=default_settings(), today=TODAY, replace=False)
        _one(out / "log", work, [log], default_settings(), drafted)
        records = work / "planted"
        planted_firm(records)
        _one(out / "planted", work, [records], _planted_settings(records / "fleet.toml"))


def _planted_settings(path: Path) -> Settings:
    try:
        return load_settings(path)
    except Exception:  # a tree that knows no roles
        path.write_text(
            "\n".join(x for x in path.read_text().split("\n") if not x.startswith(("role", "customary")))
        )
        return load_settings(path)


def planted_firm(folder: Path) -> None:
    """Write the records and settings of the planted firm into a new folder."""
    folder.mkdir()
    tables = {path.stem: _rows(path) for path in sorted((ROOT / "sample_data").glob("*.csv"))}
    sites = tables["sites"][:HOMES]
    for second, first in ((11, 10), (21, 20), (22, 20)):
        sites[second]["address_id"] = sites[first]["address_id"]
    known = {site["site_id"] for site in sites}
    visits = [row for row in tables["visits"] if row["site_id"] in known]
    home = {row["visit_id"]: row["site_id"] for row in visits}
    work = [row for row in tables["work"] if row["visit_id"] in home]
    extra, last = [], {}
    for row in work:
        number = int(home[row["visit_id"]][2:])
        if row["component"] == "uv_lamp" and number % 4 == 0:
            extra.append({**row, "component": "uv_lamp_2", "part_number": "", "fitted_on": ""})
        if row["component"] == "quartz_sleeve" and number % 3 == 0:
            seen = last[number] = last.get(number, 0) + 1
            worn = seen % 5 == 0
            action = "fitted" if seen == 1 else "replaced" if worn else "inspected"
            found = "" if seen == 1 else "damaged" if worn else "good"
            extra.append({"visit_id": row["visit_id"], "component": "check_valve", "slot": "", "action": action,
                          "condition": found, "part_number": "", "fitted_on": "", "pressure_drop_kpa": ""})  # fmt: skip
    limits = [*tables["site_limits"], {"site_id": "H-009", "kind": "contract", "max_days": "91", "source": "contract"},
              {"site_id": "H-012", "kind": "technician", "max_days": "150", "from": "2026-09-01"}]  # fmt: skip
    decided = [*tables["decisions"],
               {"site_id": "H-014", "decided_on": "2025-03-01", "visit_interval_days": "140", "decision": "accepted"},
               {"site_id": "H-020", "decided_on": "2026-02-01", "visit_interval_days": "210", "decision": "trial"},
               {"site_id": "H-005", "decided_on": "2026-02-01", "visit_interval_days": "300", "decision": "accepted"},
               {"site_id": "H-016", "decided_on": "2026-01-10", "visit_interval_days": "", "decision": "refused"}]  # fmt: skip
    made = {"sites": sites, "visits": visits, "work": [*work, *extra], "parts": tables["parts"],
            "changes": [r for r in tables["changes"] if r["site_id"] in known or not r["site_id"]],
            "samples": [r for r in tables["samples"] if r["site_id"] in known],
            "site_limits": [r for r in limits if r["site_id"] in known],
            "decisions": [r for r in decided if r["site_id"] in known]}  # fmt: skip
    for name, rows in made.items():
        header = list(tables[name][0])
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, header, restval="")
            writer.writeheader()
            writer.writerows(rows)
    (folder / "fleet.toml").write_text(PLANTED_SETTINGS, encoding="utf-8")


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def _one(
    out: Path, work: Path, records: list[Path], settings: Settings, import_map: Path | None = None
) -> None:
    store, site = work / f"{out.name}.duckdb", work / f"{out.name}-report"
    records = [
        path for found in records for path in (sorted(found.glob("*.csv")) if found.is_dir() else [found])
    ]
    build(
        records, out=site, store=store, settings=settings, as_of=None, today=TODAY, progress=lambda _: None,
        import_map=import_map,
    )  # fmt: skip
    with Store(store, read_only=True) as held:
        for name in sorted(held.tables()):
            _write(out / "tables" / f"{name}.txt", _printed(held.table(name)))
    for page in sorted(path for path in site.rglob("*") if path.is_file()):
        where = out / "pages" / page.relative_to(site)
        if page.suffix == ".html":
            words = _Words()
            words.feed(page.read_text(encoding="utf-8"))
            _write(where.with_suffix(".txt"), words.lines)
        elif page.suffix in (".csv", ".ics", ".json"):
            _write(where, page.read_text(encoding="utf-8").splitlines())


def _printed(frame: pl.DataFrame) -> list[str]:
    """Return a table's rows as lines, floats to six digits; moments of the clock are left out."""
    frame = frame.drop(cs.temporal() - cs.date())
    head = ", ".join(f"{name} {kind}" for name, kind in frame.schema.items())
    return [head, *("|".join(_cell(value) for value in row) for row in frame.rows())]


def _cell(value: object) -> str:
    if isinstance(value, list):
        return "[" + " ".join(_cell(item) for item in value) + "]"
    return f"{value + 0.0:.6g}" if isinstance(value, float) else str(value)


def _write(path: Path, lines: list[str]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def compare(before: Path, after: Path) -> bool:
    """Print the files that differ, with their first differing lines; return whether there are none."""
    names = sorted({path.relative_to(tree) for tree in (before, after) for path in tree.rglob("*.*")})
    differing = 0
    for name in names:
        one, other = ((tree / name) for tree in (before, after))
        texts = [path.read_text().splitlines() if path.is_file() else [] for path in (one, other)]
        if texts[0] != texts[1]:
            differing += 1
            lines = [
                x for x in difflib.unified_diff(*texts, lineterm="", n=0) if x[:2] not in ("--", "++", "@@")
            ]
            print(
                f"{name}: {len(lines)} lines differ",
                *(f"    {x[:160]}" for x in lines[:LINES_SHOWN]),
                sep="\n",
            )
    print("same" if not differing else f"{differing} of {len(names)} files differ")
    return not differing


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["record", out]:
            record(Path(out))
        case ["compare", before, after]:
            raise SystemExit(not compare(Path(before), Path(after)))
        case _:
            raise SystemExit(__doc__)
