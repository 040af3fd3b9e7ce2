"""The commands as a person runs them: names, exit codes, messages, and the tables that scripts rely on."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from fleetstats.cli import main
from fleetstats.resources import folder
from fleetstats.store import Store

RECORDS = folder("sample_data")
#: Each takes longer to import than the help to print.
HEAVY = {"lifelines", "pandas", "plotly", "scipy", "polars", "duckdb", "numpy", "jinja2", "icalendar"}
Run = Callable[..., tuple[int, str, str]]

#: Columns that scripts rely on.
TABLES = {
    "reading_worth": "component sites_served sites_read sites callouts_fewer cartridges_fewer saved_per_year",
    "spells": "site_id chapter component slot part_number fitted_on ended_on ended_how lower_days upper_days "
    "entry_days litres",
    "effects": "component term time_ratio low high",
    "site_life": "site_id component slot median_days low_days high_days p10_days spells failures "
    "relative_life relative_low relative_high",
    "plans": "site_id visit_interval_days trips_per_year callouts_per_year cost_per_year low high "
    "saving_seen saving_projected visit_interval_days_current "
    "trips_per_year_current callouts_per_year_current "
    "cost_per_year_current low_current high_current",
    "intervals": "site_id component slot visit_interval_days every_n_visits interval_days "
    "current_interval_days limited_by failure_chance failure_chance_low "
    "failure_chance_high failure_chance_current cost_per_year "
    "cost_per_year_current spells failures evidence",
    "due": "site_id visit_from visit_by component slot action part_number reason chance_already_spent",
    "stock": "part_number component month expected p50 p80 p95 expected_current_rule",
    "starting_intervals": "component tank_material roof_material tree_cover daily_litres interval_days "
    "low_days high_days sites spells",
    "replay": "origin component horizon_days units failures expected_failures",
    "refused": "file sheet line column value reason",
    "warnings": "check severity site_id visit_id rows message what_to_do",
    "loads": "load_id file table_name rows_read accepted repeated refused",
}  # fmt: skip


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run a command in an empty folder; returns exit code, standard output, standard error."""
    monkeypatch.chdir(tmp_path)

    def call(*words: str | Path) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["fleetstats", *map(str, words)])
        code: int | str | None = 0
        try:
            main()
        except SystemExit as stop:
            code = stop.code
        out, err = capsys.readouterr()
        return int(code or 0), out, err

    return call


@pytest.fixture(scope="session")
def built(built_sample: Path) -> Path:
    return built_sample


def test_help_answers_without_waiting_for_a_heavy_library() -> None:
    told = "from fleetstats.cli import main\nimport atexit, sys\natexit.register(lambda: print(*sys.modules))\nmain()"
    done = subprocess.run([sys.executable, "-c", told, "--help"], capture_output=True, text=True, check=True)
    assert not HEAVY & set(done.stdout.splitlines()[-1].split())
    for name in ("demo", "load", "analyse", "report", "build", "table", "replay", "settings", "sample"):
        assert f"  {name} " in done.stdout


def test_every_result_table_is_filled_and_has_the_columns_that_scripts_rely_on(built: Path) -> None:
    with Store(built / "fleet.duckdb", read_only=True) as store:
        for name, columns in TABLES.items():
            frame = store.table(name)
            assert frame.height > 0, name
            assert set(columns.split()) <= set(frame.columns), name


def test_the_tables_hold_together(built: Path) -> None:
    with Store(built / "fleet.duckdb", read_only=True) as store:
        tables = {name: store.table(name) for name in (*TABLES, "in_place", "sites")}
    intervals, due, stock = tables["intervals"], tables["due"], tables["stock"]
    assert (
        intervals["interval_days"] == intervals["visit_interval_days"] * intervals["every_n_visits"]
    ).all()
    assert intervals.group_by("site_id").agg(pl.col("visit_interval_days").n_unique())[
        "visit_interval_days"
    ].max() == 1  # fmt: skip
    served = tables["in_place"].filter("served").select("site_id", "component", "slot").unique()
    assert due.select("site_id", "component", "slot").unique().height == served.height == due.height
    assert (due["visit_from"] <= due["visit_by"]).all()
    lamps = intervals.filter(pl.col("component") == "uv_lamp")
    sleeves = intervals.filter(pl.col("component") == "quartz_sleeve")
    assert lamps["interval_days"].max() <= 365
    assert sleeves["interval_days"].max() <= 182
    assert stock["month"].n_unique() == 12
    assert (stock["p50"] <= stock["p80"]).all()
    assert (stock["p80"] <= stock["p95"]).all()
    loads = tables["loads"]
    assert (loads["rows_read"] == loads["accepted"] + loads["repeated"] + loads["refused"]).all()


def test_load_analyse_report_taken_alone_give_the_same_pages_as_build(
    run: Run, built: Path, tmp_path: Path
) -> None:
    assert run("load", RECORDS)[0] == 0
    code, out, _ = run("analyse")
    assert code == 0
    assert "served sites" in out
    assert run("report", "--out", "pages")[0] == 0
    ours = {p.relative_to(tmp_path): p.read_bytes() for p in (tmp_path / "pages").rglob("*") if p.is_file()}
    theirs = {p.relative_to(built): p.read_bytes() for p in (built / "pages").rglob("*") if p.is_file()}
    assert ours == theirs


def test_loading_twice_changes_nothing(run: Run) -> None:
    assert run("load", RECORDS)[0] == 0
    code, out, _ = run("load", RECORDS)
    assert code == 0
    counted = [line for line in out.splitlines() if "rows read" in line]
    assert counted
    assert all(" 0 accepted" in line for line in counted)


def test_tables_are_listed_and_written_in_every_format(run: Run, built: Path, tmp_path: Path) -> None:
    store = ("--store", built / "fleet.duckdb")
    code, out, _ = run("table", *store)
    assert code == 0
    assert "  interval_days (days): time between renewals" in out
    rows = pl.read_csv(run("table", "plans", "--format", "csv", *store)[1].encode())
    assert (
        json.loads(run("table", "plans", "--format", "json", *store)[1])[0]["site_id"] == rows["site_id"][0]
    )
    assert rows["site_id"][0] in run("table", "plans", *store)[1]
    assert run("table", "plans", "--format", "parquet", "--out", "plans.parquet", *store)[0] == 0
    assert pl.read_parquet(tmp_path / "plans.parquet").height == rows.height
    for name in TABLES:
        assert run("table", name, *store)[0] == 0


def test_a_text_cell_cannot_become_a_formula_in_csv(built: Path) -> None:
    from fleetstats.table_output import _as_csv

    frame = pl.DataFrame({"name": ["=1+1", "plain", "@x"], "money": [-1.5, 2.0, 3.0]})
    assert _as_csv(frame).splitlines() == ["name,money", "'=1+1,-1.5", "plain,2.0", "'@x,3.0"]


def test_replay_tells_its_result_and_a_second_opinion(run: Run, built: Path, tmp_path: Path) -> None:
    store = shutil.copy(built / "fleet.duckdb", tmp_path / "fleet.duckdb")  # replay keeps its tables in it
    code, out, _ = run("replay", "--store", store)
    assert code == 0
    assert "sediment_cartridge" in out
    assert "Second opinion: the library lifelines" in out
    code, out, _ = run("table", "second_opinion", "--format", "csv", "--store", store)
    assert code == 0
    assert {line.split(",")[-2] for line in out.splitlines()[1:]} == {"agrees"}
    code, _, _ = run("report", "--store", store, "--out", tmp_path / "site")
    assert code == 0
    assert "An independent library, lifelines, agrees with 12 of 12 fits." in (
        tmp_path / "site" / "trust.html"
    ).read_text(encoding="utf-8")


def test_settings_are_printed_with_unit_default_and_origin(run: Run, tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text("trip_cost = 99\n")
    code, out, _ = run("settings", "--settings", "fleet.toml")
    assert code == 0
    assert "trip_cost = 99  # money: a planned visit, before parts; default 120; from fleet.toml" in out


def test_sample_writes_records_that_load(run: Run, tmp_path: Path) -> None:
    assert run("sample", "--sites", "12", "--out", "made", "--seed", "3")[0] == 0
    assert run("load", "made")[0] == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["load", "nowhere"], "nowhere"),
        (["analyse"], "fleetstats load"),
        (["report"], "fleetstats load"),
        (["table", "plans"], "fleetstats load"),
        (["replay"], "fleetstats load"),
        (["analyse", "--settings", "none.toml"], "not found"),
        (["analyse", "--as-of", "30/06/2026"], "YYYY-MM-DD"),
        (["analyse", "--as-of", "2999-01-01"], "still to come"),
    ],
)
def test_what_is_at_fault_is_said_in_one_message_with_exit_code_1(
    run: Run, words: list[str], said: str
) -> None:
    code, out, err = run(*words)
    assert code == 1
    assert said in err
    assert err.startswith("fleetstats: ")
    assert "Traceback" not in err
    assert out == ""


def test_usage_errors_have_exit_code_2(run: Run) -> None:
    assert run("load")[0] == 2
    assert run("no-such-command")[0] == 2
    assert run("table", "--format", "yaml")[0] == 2


def test_a_report_of_another_day_or_other_settings_is_not_passed_off(
    run: Run, built: Path, tmp_path: Path
) -> None:
    (tmp_path / "fleet.toml").write_text("trip_cost = 99\n")
    store = ("--store", built / "fleet.duckdb")
    assert "as of" in run("report", *store, "--as-of", "2020-01-01")[2]
    assert "other settings" in run("report", *store, "--settings", "fleet.toml")[2]


def test_what_we_did_not_foresee_still_ends_in_a_message(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    import fleetstats.settings

    def broken(_: Path | None) -> None:
        raise RuntimeError("loose end")

    monkeypatch.setattr(fleetstats.settings, "load_settings", broken)
    code, _, err = run("settings")
    assert code == 1
    assert "RuntimeError: loose end" in err
    assert "FLEETSTATS_TRACEBACK" in err


def test_the_smallest_records_end_in_a_report_or_a_message_and_promise_nothing(
    run: Run, tmp_path: Path
) -> None:
    one = tmp_path / "one"
    one.mkdir()
    (one / "sites.csv").write_text("site_id\nA\n")
    (one / "visits.csv").write_text("visit_id,site_id,visit_date\n1,A,2024-01-10\n")
    (one / "work.csv").write_text(
        "visit_id,component,action\n1,sediment_cartridge,fitted\n1,uv_lamp,fitted\n"
    )
    code, out, err = run("build", one, "--store", "a.duckdb", "--out", "a")
    assert (code, err) == (0, "")
    assert "too few for figures of cost" in out
    (site,) = (tmp_path / "a" / "sites").iterdir()
    for page in (tmp_path / "a" / "owner.html", site):
        text = page.read_text(encoding="utf-8")
        assert "too few for figures of cost" in text
        assert not re.search(r"USD [0-9]|As planned|Cost a year|Saving, seen", text)
    (one / "work.csv").write_text("visit_id,component,action\n")
    code, _, err = run("build", one, "--store", "b.duckdb", "--out", "b")
    assert code == 1
    assert "no work on any component" in err
