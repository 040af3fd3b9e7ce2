"""Makes a slip to print, an empty sheet to type it into, and the map that reads that sheet."""

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from fleetstats.intake.fields import TABLES
from fleetstats.safe_csv import csv_text

#: What a slip asks of a visit and, at the first, of the site: header in the sheet, field.
_VISIT: Final = (
    ("Visit number", "visit_id"),
    ("Site", "site_id"),
    ("Date", "visit_date"),
    ("Technician", "technician"),
    ("Reason", "visit_reason"),
    ("Called about", "callout_cause"),
    ("Called on", "reported_on"),
)
_READINGS: Final = (
    ("Pressure in, kPa", "inlet_pressure_kpa"),
    ("Pressure out, kPa", "outlet_pressure_kpa"),
    ("Pressure read", "pressure_read"),
    ("Flow, L/min", "flow_lpm"),
    ("Meter, m3", "meter_m3"),
    ("Hardness, mg/L", "hardness_mg_l"),
    ("Turbidity, NTU", "turbidity_ntu"),
    ("UV transmittance, %", "uvt_percent"),
    ("Lamp days left", "lamp_days_left"),
)
_SITE: Final = (
    ("Name", "site_name"),
    ("Tank", "tank_material"),
    ("Tank installed, year", "tank_installed"),
    ("Tank, L", "tank_litres"),
    ("Roof", "roof_material"),
    ("Roof, m2", "roof_area_m2"),
    ("Trees", "tree_cover"),
    ("First flush", "first_flush"),
    ("Inlet screen, micron", "inlet_screen_um"),
    ("People", "occupants"),
    ("Water is drunk", "potable"),
    ("Lived in", "occupancy"),
)
_NOTES: Final = (("Notes", "notes"),)
_WORK: Final = (
    ("done", "action"),
    ("found", "condition"),
    ("part", "part_number"),
    ("drop, kPa", "pressure_drop_kpa"),
)
_STYLE: Final = (
    "@page{margin:12mm}body{font:11pt/1.35 sans-serif;color:#000;background:#fff;margin:0 auto;"
    "max-width:186mm}"
    "h1{font-size:14pt;margin:0 0 2mm}h2{font-size:11pt;margin:4mm 0 1mm;border-bottom:1px solid #000}"
    "dl{display:grid;grid-template-columns:1fr 1fr;gap:1mm 6mm;margin:0}dl div{display:flex;gap:2mm;"
    "align-items:baseline;break-inside:avoid}dt{font-weight:bold}dd{margin:0;flex:1;min-height:6mm;"
    "border-bottom:1px dotted #555}dd.words{border:0}.wide{grid-column:1/-1}"
    "table{border-collapse:collapse;width:100%}"
    "th,td{border:1px solid #555;padding:1mm;text-align:left;vertical-align:top;font-weight:normal}"
    "thead th,tbody th{font-weight:bold}.word{white-space:nowrap;margin-right:2.5mm}.last{min-height:22mm}"
)


@dataclass(frozen=True, slots=True)
class BlankFiles:
    """The texts of the slip (HTML), the empty sheet (CSV) and its map (TOML)."""

    slip: str
    sheet: str
    toml: str


def blank_files(sheet_name: str, components: Sequence[str]) -> BlankFiles:
    """Return a blank slip, the empty sheet to type it into, and the map that reads that sheet.

    Parameters
    ----------
    sheet_name : str
        The name the sheet will have, for the map.
    components : sequence of str
        The components that the settings define, a row of the slip each.
    """
    columns = [header for header, _ in (*_VISIT, *_SITE, *_READINGS)]
    columns += [f"{_spoken(name)} {what}" for name in components for what, _ in _WORK]
    columns += [header for header, _ in _NOTES]
    return BlankFiles(_slip(components), csv_text(columns, []), _map(sheet_name, components))


def _map(sheet_name: str, components: Sequence[str]) -> str:
    lines = [
        "# The map of the empty sheet that goes with the blank slip: nothing in it needs an answer.",
        "[sheet]",
        f'file = "{sheet_name}"',
        "header_row = 1",
        'date_order = "year_month_day"',
    ]
    for header, field in (*_VISIT, *_SITE, *_READINGS, *_NOTES):
        lines += ["", f'[column."{header}"]', f'to = "{field}"']
    for name in components:
        for what, gives in _WORK:
            lines += ["", f'[column."{_spoken(name)} {what}"]', f'work = "{name}"', f'gives = "{gives}"']
    return "\n".join(lines) + "\n"


def _spoken(word: str) -> str:
    return word.replace("_", " ")


def _words_of(field: str) -> tuple[str, ...]:
    for table in ("visits", "sites", "work"):
        if field in TABLES[table].names:
            column = TABLES[table].column(field)
            return ("yes", "no") if column.kind == "yes_no" else column.words
    return ()


def _tick(words: Iterable[str]) -> str:
    return " ".join(f'<span class="word">&#9744; {escape(_spoken(word))}</span>' for word in words)


def _asked(rows: Iterable[tuple[str, str]], extra: str = "") -> str:
    cells = []
    for header, field in rows:
        words = _words_of(field)
        answer = f'<dd class="words">{_tick(words)}</dd>' if words else f"<dd{extra}></dd>"
        wide = ' class="wide"' if len(words) > 3 or extra else ""
        cells.append(f"<div{wide}><dt>{escape(header)}</dt>{answer}</div>")
    return f"<dl>{''.join(cells)}</dl>"


def _work_rows(components: Iterable[str]) -> str:
    rows = [
        f'<tr><th scope="row">{escape(_spoken(name))}</th><td>{_tick(_words_of("action"))}</td>'
        f"<td>{_tick(_words_of('condition'))}</td><td></td><td></td></tr>"
        for name in components
    ]
    heads = "<td></td>" + "".join(f'<th scope="col">{escape(what)}</th>' for what, _ in _WORK)
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _slip(components: Sequence[str]) -> str:
    sealed = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{sealed}'; base-uri 'none'; form-action 'none'"
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>Visit slip</title><style>{_STYLE}</style></head><body>",
        "<h1>Visit slip</h1>",
        "<p>Before opening anything: UV unit off at the power and cool, pressure let off. Never look at a "
        "lit lamp."
        " Treat the water as unsafe to drink while UV is off.</p>",
        _asked(_VISIT),
        "<h2>Readings, tap running, before any work</h2>",
        _asked(_READINGS),
        "<h2>Parts: tick what was done, and what was found before the work</h2>",
        _work_rows(components),
        "<p>A part that was only looked at is &ldquo;inspected&rdquo;. Tick nothing under found if you did "
        "not see "
        "its state: a change alone does not say that the old one was good.</p>",
        "<h2>The site, at the first visit or when it changed</h2>",
        _asked(_SITE),
        "<h2>Notes</h2>",
        _asked(_NOTES, ' class="last"'),
        "</body></html>",
    ]
    return "\n".join(parts) + "\n"
