"""Files that a load must survive: each is loaded by a process of its own into a store that holds records.

Run by hand:

    python tests/studies/hostile_files.py            # every file; one markdown row a kind, then what failed
    python tests/studies/hostile_files.py far_cell   # those whose name holds the word, with what was printed
    python tests/studies/hostile_files.py --fuzz 20000

A file passes if the load ends by itself within the time, under the memory, with exit code 0 or 1 and no
traceback; if the store holds what it held before, or that and the rows accepted; and if every line of the load
report adds up: rows read = accepted + repeated + refused.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

SECONDS, BYTES = 60, 2 * 1024**3
ROOT = Path(__file__).resolve().parents[2]
SITES = "site_id,site_name,tank_material\n" + "".join(f"S{i},Home {i},poly\n" for i in range(1, 5))
VISIT_HEAD = "visit_id,site_id,visit_date,inlet_pressure_kpa,notes\n"
VISITS = VISIT_HEAD + "".join(
    f"V{i}{j},S{i},202{j}-0{i}-10,{300 + i},fine\n" for i in range(1, 5) for j in range(1, 5)
)
WORK = "visit_id,component,action,condition\n" + "".join(
    f"V{i}{j},sediment_cartridge,{'fitted' if j == 1 else 'replaced'},{'' if j == 1 else 'good'}\n"
    for i in range(1, 5)
    for j in range(1, 5)
)
#: What makes one hostile file in a folder.
Maker = Callable[[Path], None]
_FILES: dict[str, Maker] = {}


def _text(name: str, text: str, encoding: str = "utf-8", file: str = "visits.csv") -> None:
    _bytes(name, text.encode(encoding, "surrogatepass"), file)


def _bytes(name: str, data: bytes, file: str = "visits.csv") -> None:
    _FILES[name] = lambda folder: (folder / file).write_bytes(data) and None


def _made(name: str) -> Callable[[Maker], Maker]:
    def keep(maker: Maker) -> Maker:
        _FILES[name] = maker
        return maker

    return keep


# -- text in rows ---------------------------------------------------------------------------------------

for _name, _data in {
    "empty": b"", "mark alone": b"\xef\xbb\xbf", "one byte": b"x", "zeros": b"\0" * 4096,
    "header alone": VISIT_HEAD.encode(), "line ends": b"\n" * 100_000, "commas": b"," * 100_000,
    "quotes": b'"' * 100_001, "zero in a cell": VISITS.replace("fine", "fi\0ne", 1).encode(),
    "not utf-8": VISITS.replace("fine", "f\xfcr", 1).encode("latin-1"), "broken utf-8": b"visit_id,site_id\n\xc3\x28,\xff\xfe\n",
    "pdf": b"%PDF-1.7\n" + b"\x93\x8c" * 2000, "gzip": b"\x1f\x8b\x08\0" + b"\0" * 200, "sqlite": b"SQLite format 3\0" + b"\0" * 4000,
    "carriage returns": VISITS.replace("\n", "\r").encode(), "mixed ends": VISITS.replace("\n", "\r\n", 3).encode(),
}.items():  # fmt: skip
    _bytes(f"csv {_name}", _data)
for _name, _encoding in {
    "utf-16": "utf-16",
    "utf-16 no mark": "utf-16-le",
    "utf-32": "utf-32",
    "utf-7": "utf-7",
}.items():
    _text(f"csv {_name}", VISITS, _encoding)

_CELLS = {
    "long": "x" * 200_000, "very long": "y" * 5_000_000, "open quote": '"never closed', "stray quote": 'a 10" pipe',
    "two inch marks": '5" and 10"', "line end inside": '"one\ntwo"', "formula": "=1+1", "command": "@SUM(A1)", "tag": "<script>alert(1)</script>",
    "right to left": "\u202egnp.exe", "control": "a\x07\x1b[31mb\x7f", "surrogate": "\ud800", "emoji": "\U0001f6b0" * 50,
    "separator": "a\u2028b", "zero width": "\u200b", "nested quotes": '"a ""b"" c"', "backslash": "\\", "percent": "%s%n", "brace": "{{7*7}}",
}  # fmt: skip
for _name, _cell in _CELLS.items():
    _text(f"csv note {_name}", VISITS + f"VX,S1,2025-06-01,310,{_cell}\nVY,S2,2025-06-02,311,after\n")
    _text(f"csv id {_name}", VISITS + f"{_cell},S1,2025-06-01,310,odd\nVY,S2,2025-06-02,311,after\n")
    _text(f"csv site {_name}", VISITS + f"VX,{_cell},2025-06-01,310,odd\nVY,S2,2025-06-02,311,after\n")
_DAYS = (
    "0000-00-00",
    "9999-12-31",
    "31.02.2024",
    "45292",
    "1e308",
    "-1",
    "2024-13-01",
    "today",
    "2024-02-30T25:61",
    "1/2/3",
    "١٢-٠٣-٢٠٢٤",
)
for _day in _DAYS:
    _text(f"csv day {_day}", VISITS + f"VX,S1,{_day},310,odd\n")
for _number in (
    "inf",
    "-inf",
    "nan",
    "1e308",
    "-1e308",
    "1e-320",
    "0x10",
    "1,5",
    "1.234,5",
    "--3",
    "9" * 400,
    "٣٠٠",
    "3 0 0",
    "1e400",
):
    _text(f"csv number {_number[:12]}", VISITS + f'VX,S1,2025-06-01,"{_number}",odd\n')
_text(
    "csv quote over rows", VISITS.replace("fine\nV13", '"fine\nV13', 1).replace("fine\nV31", 'fine"\nV31', 1)
)
_text("csv same id", VISITS + "V11,S1,2025-06-01,310,again\n" * 3)
_text("csv same column", VISITS.replace("notes", "visit_date", 1))
_text("csv unnamed columns", VISITS.replace("inlet_pressure_kpa,notes", ",", 1))
_text("csv short rows", VISITS + "VX\nVY,S1\nVZ,S1,2025-01-01\n")
_text("csv long rows", VISITS + "VX,S1,2025-06-01,310,a,b,c,d,e\n")
_text("csv many columns", ",".join(f"c{i}" for i in range(30_000)) + "\n" + "1," * 29_999 + "1\n")
_text("csv one long line", "visit_id " * 2_000_000)
_text(
    "csv names by case", VISITS + "VX,s1,2025-06-01,310,a\nVY, S1 ,2025-06-01,310,b\nvx,S1,2025-06-01,310,c\n"
)
_text("csv 300 signs", VISITS + f"{'V' * 300},S1,2025-06-01,310,a\n")
_text("csv semicolon comma", VISITS.replace(",", ";").replace("300", "300,5"))
_text("csv unknown site", VISITS + "VX,S999,2025-06-01,310,a\n")
_text("csv work for nothing", WORK + "V999,uv_lamp,replaced,failed\n", file="work.csv")
_text("csv unknown words", WORK + "V14,flux_box,twisted,purple\n", file="work.csv")
_text(
    "csv extreme limits",
    "site_id,kind,max_days\nS1,contract,1e19\nS2,contract,0\nS3,contract,-5\n",
    file="site_limits.csv",
)
_text(
    "csv extreme parts",
    "part_number,component,lead_time_days,unit_cost,pack_size,on_hand\nP1,uv_lamp,1e7,1e308,0,-4\n",
    file="parts.csv",
)
_text(
    "csv meters",
    "visit_id,site_id,visit_date,meter_m3\n"
    + "".join(f"M{i},S1,2024-{i:02}-01,{0 if i % 2 else 1e308}\n" for i in range(1, 13)),
)


@_made("csv big line ends")
def _line_ends(folder: Path) -> None:
    (folder / "visits.csv").write_bytes(b"\n" * 200_000_000)


@_made("csv 150 MB")
def _big(folder: Path) -> None:
    with (folder / "visits.csv").open("w") as file:
        file.write(VISIT_HEAD)
        for i in range(3_000_000):
            file.write(f"B{i},S{i % 4 + 1},202{i % 5}-0{i % 9 + 1}-11,300,{i:012}\n")


# -- workbooks ------------------------------------------------------------------------------------------

_SHEET = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>{}</sheetData></worksheet>'


def _row(number: int, cells: list[tuple[str, str]]) -> str:
    inside = "".join(f'<c r="{at}" t="inlineStr"><is><t>{text}</t></is></c>' for at, text in cells)
    return f'<row r="{number}">{inside}</row>'


_GOOD_ROWS = _row(1, [("A1", "visit_id"), ("B1", "site_id"), ("C1", "visit_date")]) + _row(
    2, [("A2", "VX"), ("B2", "S1"), ("C2", "2025-06-01")]
)


def workbook(sheet: str, *, more: dict[str, bytes] | None = None, name: str = "visits") -> bytes:
    """Return a minimal XLSX file whose one sheet holds the given XML."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    parts = {
        "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/worksheets/sheet1.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/></Types>',
        "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="rId1" Type="{rel}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets><sheet name="{name}" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="rId1" Type="{rel}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": sheet,
    }
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as file:
        for part, text in parts.items():
            file.writestr(part, text)
        for part, data in (more or {}).items():
            file.writestr(part, data)
    return held.getvalue()


_GOOD = workbook(_SHEET.format(_GOOD_ROWS))
for _name, _data in {
    "good": _GOOD, "cut short": _GOOD[: len(_GOOD) // 2], "no end": _GOOD[:-10], "flipped": _GOOD[:200] + bytes([_GOOD[200] ^ 255]) + _GOOD[201:],
    "far cell": workbook(_SHEET.format(_GOOD_ROWS + '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>')),
    "far column": workbook(_SHEET.format(_GOOD_ROWS + '<row r="3"><c r="XFD3"><v>1</v></c></row>')),
    "far row": workbook(_SHEET.format(_GOOD_ROWS + '<row r="1048576"><c r="A1048576"><v>1</v></c></row>')),
    "corner cells": workbook(_SHEET.format('<row r="1"><c r="A1"><v>1</v></c></row><row r="1000000"><c r="ZZZ1000000"><v>1</v></c></row>')),
    "bad reference": workbook(_SHEET.format('<row r="1"><c r="@@@"><v>1</v></c></row>')),
    "reference beyond": workbook(_SHEET.format('<row r="99999999999"><c r="ZZZZZZZ99999999999"><v>1</v></c></row>')),
    "no rows": workbook(_SHEET.format("")), "broken xml": workbook("<worksheet><sheetData><row>"), "no sheet": workbook("", name="other"),
    "entity": workbook('<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>' + _SHEET.format(_row(1, [("A1", "&b;")]))),
    "nested": workbook(_SHEET.format(_GOOD_ROWS), more={"xl/extra.zip": _GOOD}),
    "climbing name": workbook(_SHEET.format(_GOOD_ROWS), more={"../../evil.txt": b"x"}),
    "bomb sheet": workbook(_SHEET.format(_GOOD_ROWS) + " " * 1_500_000_000),
    "bomb strings": workbook(_SHEET.format(_GOOD_ROWS), more={"xl/sharedStrings.xml": b" " * 1_500_000_000}),
    "encrypted": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 5000, "plain zip": b"PK\x05\x06" + b"\0" * 18,
    "wrong numbers": workbook(_SHEET.format('<row r="1"><c r="A1"><v>1e400</v></c><c r="B1" t="n"><v>abc</v></c><c r="C1" t="s"><v>99</v></c></row>')),
}.items():  # fmt: skip
    _bytes(f"xlsx {_name}", _data, "visits.xlsx")


# -- columns and records of text --------------------------------------------------------------------------


@_made("parquet 20 million equal rows")
def _parquet_equal(folder: Path) -> None:
    import polars as pl

    pl.select(
        visit_id=pl.repeat("VX", 20_000_000),
        site_id=pl.repeat("S1", 20_000_000),
        visit_date=pl.repeat("2025-06-01", 20_000_000),
    ).write_parquet(folder / "visits.parquet")


@_made("parquet nested")
def _parquet_nested(folder: Path) -> None:
    import polars as pl

    pl.DataFrame({"visit_id": [["a"]], "site_id": [{"x": 1}], "visit_date": [b"\xff"]}).write_parquet(
        folder / "visits.parquet"
    )


@_made("parquet wide")
def _parquet_wide(folder: Path) -> None:
    import polars as pl

    pl.DataFrame({f"c{i}": [1] for i in range(5000)}).write_parquet(folder / "visits.parquet")


_bytes("parquet mark alone", b"PAR1", "visits.parquet")
_bytes("parquet marks", b"PAR1" + b"\xff" * 500 + b"PAR1", "visits.parquet")
_bytes("parquet huge footer", b"PAR1" + b"\x15\0" * 20 + b"\xff\xff\xff\x7fPAR1", "visits.parquet")
_LINE = '{"visit_id": "VX", "site_id": "S1", "visit_date": "2025-06-01"}\n'
for _name, _data in {
    "good": _LINE.encode(), "surrogate": _LINE.replace("VX", "\\ud800").encode(), "surrogate name": b'{"\\ud800": 1}\n', "deep": b"[" * 200_000, "deep object": b'{"a":' * 100_000,
    "list": b"[1,2,3]\n", "number": b"7\n", "not a number": b'{"visit_id": NaN}\n', "huge number": b'{"visit_id": ' + b"9" * 100_000 + b"}\n",
    "same key": b'{"visit_id": "a", "visit_id": "b", "site_id": "S1", "visit_date": "2025-01-01"}\n', "nested": b'{"visit_id": {"a": [1]}, "site_id": "S1", "visit_date": "2025-01-01"}\n',
    "cut": _LINE.encode()[:30], "blank lines": b"\n\n" + _LINE.encode() + b"\n\n", "nul": b'{"visit_id": "\\u0000"}\n', "many keys": json.dumps({f"k{i}": i for i in range(20_000)}).encode(),
}.items():  # fmt: skip
    _bytes(f"jsonl {_name}", _data, "visits.jsonl")


# -- what is no file --------------------------------------------------------------------------------------


@_made("place folder")
def _folder_in_place(folder: Path) -> None:
    (folder / "visits.csv").mkdir()


@_made("place pipe")
def _pipe(folder: Path) -> None:
    os.mkfifo(folder / "visits.csv")


@_made("place link in a circle")
def _circle(folder: Path) -> None:
    (folder / "visits.csv").symlink_to(folder / "visits.csv")


@_made("place link to nothing")
def _nothing(folder: Path) -> None:
    (folder / "visits.csv").symlink_to(folder / "gone.csv")


@_made("place link to zeros")
def _zeros(folder: Path) -> None:
    (folder / "visits.csv").symlink_to("/dev/zero")


@_made("place link to random")
def _random(folder: Path) -> None:
    (folder / "visits.csv").symlink_to("/dev/urandom")


@_made("place long name")
def _long_name(folder: Path) -> None:
    (folder / ("v" * 240 + ".csv")).write_text(VISITS)


@_made("place wrong name")
def _wrong_name(folder: Path) -> None:
    (folder / "vistis.csv").write_text(VISITS)


@_made("place two of one table")
def _two(folder: Path) -> None:
    (folder / "visits.csv").write_text(VISITS)
    (folder / "visits.jsonl").write_text(_LINE)


@dataclass(frozen=True, slots=True)
class Outcome:
    """How the load of one file ended."""

    name: str
    code: int
    seconds: float
    bytes_held: int
    said: str
    faults: tuple[str, ...]


def try_file(name: str, base: Path) -> Outcome:
    """Return how a load of one hostile file into a copy of the store `base` ends."""
    with tempfile.TemporaryDirectory() as held:
        folder, store = Path(held) / "records", Path(held) / "fleet.duckdb"
        folder.mkdir()
        _FILES[name](folder)
        shutil.copy(base, store)
        before = rows_of(store)
        start = time.monotonic()
        with (Path(held) / "said").open("w+") as said:
            process = subprocess.Popen(
                [sys.executable, "-c", "from fleetstats.cli import main; main()", "load", str(folder), "--store", str(store)],
                stdin=subprocess.DEVNULL, stdout=said, stderr=said, cwd=held, env={**os.environ, "PYTHONPATH": str(ROOT)},
            )  # fmt: skip
            code, used = _wait(process)
            said.seek(0)
            text = said.read()
        took = time.monotonic() - start
        after = rows_of(store)
    return Outcome(name, code, took, used, text, _faults(code, took, used, text, before, after))


def _wait(process: subprocess.Popen[bytes]) -> tuple[int, int]:
    """Return the exit code and the most memory held, of a process ended after its time at the latest."""
    signal.signal(signal.SIGALRM, lambda *_: process.kill())
    signal.alarm(SECONDS + 10)
    _, status, usage = os.wait4(process.pid, 0)
    signal.alarm(0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return process.returncode, usage.ru_maxrss * 1024


def _faults(
    code: int, took: float, used: int, text: str, before: dict[str, int], after: dict[str, int] | None
) -> tuple[str, ...]:
    found = []
    if code not in (0, 1):
        found.append(f"exit code {code}")
    if "Traceback" in text or "not built for" in text or "panicked" in text:
        found.append("a crash")
    if took > SECONDS:
        found.append(f"{took:.0f} s")
    if used > BYTES:
        found.append(f"{used / 1024**3:.1f} GiB")
    if after is None or any(after.get(table, 0) < count for table, count in before.items()):
        found.append("rows of the store are gone")
    for line in text.splitlines():
        numbers = re.search(
            r"(\d[\d,]*) rows? read = (\d[\d,]*) accepted \+ (\d[\d,]*) repeated \+ (\d[\d,]*) refused", line
        )
        if numbers:
            read, *rest = (int(number.replace(",", "")) for number in numbers.groups())
            if read != sum(rest):
                found.append(f"{read} rows are not {' + '.join(map(str, rest))}")
    return tuple(found)


def rows_of(store: Path) -> dict[str, int]:
    """Return the number of rows of each table of records."""
    import duckdb

    with duckdb.connect(str(store), read_only=True) as con:
        names = [
            name
            for (name,) in con.execute(
                "SELECT table_name FROM duckdb_tables() WHERE schema_name = 'records'"
            ).fetchall()
        ]
        return {
            name: con.execute(f'SELECT count(*) FROM records."{name}"').fetchall()[0][0] for name in names
        }


def make_base(folder: Path) -> Path:
    """Return a store that holds the plain records."""
    records, store = folder / "base", folder / "base.duckdb"
    records.mkdir()
    for name, text in {"sites": SITES, "visits": VISITS, "work": WORK}.items():
        (records / f"{name}.csv").write_text(text)
    subprocess.run(
        [sys.executable, "-c", "from fleetstats.cli import main; main()", "load", str(records), "--store", str(store)],
        check=True, capture_output=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    return store


def fuzz(count: int, seed: int = 20260214) -> None:
    """Load `count` damaged copies of the plain visits into a store in memory, and print what was found."""
    from datetime import date

    from fleetstats.errors import FleetstatsError
    from fleetstats.intake.accept import load_paths
    from fleetstats.store import Store

    draw, found = (
        random.Random(seed),
        {"loaded": 0, "refused by name": 0, "wrong sums": 0, "crashed": 0, "swallowed": 0},
    )
    signs = [*",;\"\n\r\t'|\\=@-+ \0", "\ufeff", "é", "\u2028", "0", "9", "NULL", '""', '"\n', "\r\n"]
    with tempfile.TemporaryDirectory() as held, Store(":memory:") as store:
        place = Path(held) / "visits.csv"
        (Path(held) / "sites.csv").write_text(SITES)
        load_paths(store, [Path(held) / "sites.csv"], today=date(2026, 1, 1))
        for _ in range(count):
            text = list(VISITS)
            for _ in range(draw.choice((1, 1, 2, 3, 8))):
                at = draw.randrange(len(text))
                match draw.randrange(4):
                    case 0:
                        text[at] = draw.choice(signs)
                    case 1:
                        text.insert(at, draw.choice(signs))
                    case 2:
                        del text[at]
                    case _:
                        other = draw.randrange(len(text))
                        text[min(at, other) : min(at, other) + draw.randrange(30)] = []
            damaged = "".join(text)
            place.write_text(damaged, encoding="utf-8", errors="surrogatepass", newline="")
            try:
                report = load_paths(store, [place], today=date(2026, 1, 1))
                found["loaded"] += 1
                lines = damaged.replace("\r\n", "\n").replace("\r", "\n").rstrip("\n").count("\n")
                for one in re.findall(
                    r"(\d+) rows? read = (\d+) accepted \+ (\d+) repeated \+ (\d+) refused", str(report)
                ):
                    read, *rest = map(int, one)
                    found["wrong sums"] += read != sum(rest)
                    found["swallowed"] += read < lines - 3
            except FleetstatsError:
                found["refused by name"] += 1
            except Exception as exc:
                found["crashed"] += 1
                print(f"crash: {exc!r:.200} with {damaged[:80]!r}")
    print("| damaged files | " + " | ".join(found) + " |\n|---|" + "---|" * len(found))
    print(f"| {count} | " + " | ".join(str(number) for number in found.values()) + " |")


def main(words: list[str]) -> int:
    """Try the files that hold one of the words (all without); print the table and return how many failed."""
    if words[:1] == ["--fuzz"]:
        fuzz(int(words[1]))
        return 0
    chosen = [name for name in _FILES if not words or any(word in name for word in words)]
    with tempfile.TemporaryDirectory() as held:
        base = make_base(Path(held))
        outcomes = []
        for name in chosen:
            outcomes.append(try_file(name, base))
            if words:
                print(f"--- {name}: exit {outcomes[-1].code}\n{outcomes[-1].said[:1500]}")
    print(
        "| kind | files | read | refused by name | failed | longest s | most memory MiB |\n|---|---|---|---|---|---|---|"
    )
    for kind in dict.fromkeys(name.split()[0] for name in chosen):
        own = [one for one in outcomes if one.name.split()[0] == kind]
        print(
            f"| {kind} | {len(own)} | {sum(one.code == 0 for one in own)} | {sum(one.code == 1 for one in own)} "
            f"| {sum(bool(one.faults) for one in own)} | {max(one.seconds for one in own):.0f} "
            f"| {max(one.bytes_held for one in own) / 1024**2:.0f} |"
        )
    for one in outcomes:
        if one.faults:
            print(f"{one.name}: {', '.join(one.faults)}; said: {one.said.strip()[-300:]!r}")
    return sum(bool(one.faults) for one in outcomes)


if __name__ == "__main__":
    raise SystemExit(min(main(sys.argv[1:]), 1))
