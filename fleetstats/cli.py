"""The command line: parse, call the pipeline, print, turn errors into exit codes."""

from __future__ import annotations

import datetime as dt
import errno
import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from fleetstats import __version__
from fleetstats.errors import FleetstatsError, SettingsError

if TYPE_CHECKING:
    from fleetstats.settings import Settings

app = typer.Typer(
    help="Reads the visit records of a rainwater-treatment fleet, learns how long its parts really last, "
    "and recommends visit intervals and stock. Works offline.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


class Audience(StrEnum):
    """Who a report is for."""

    everyone = "all"
    supplier = "supplier"


class TableFormat(StrEnum):
    """How a table is written."""

    text = "text"
    csv = "csv"
    parquet = "parquet"
    json = "json"


_FORMATS = "|".join(TableFormat)


def _table_format(text: str) -> TableFormat:
    if text not in set(TableFormat):
        raise typer.BadParameter(f"found '{text}'; accepted are {', '.join(TableFormat)}; choose one of them")
    return TableFormat(text)


StoreOption = Annotated[Path, typer.Option("--store", help="The DuckDB file that keeps records and results.")]
SettingsOption = Annotated[
    Path | None, typer.Option("--settings", help="A TOML file of settings; without it the defaults hold.")
]
AsOfOption = Annotated[
    str | None,
    typer.Option(
        "--as-of", metavar="DATE", help="What was known on this day; default: the latest accepted visit."
    ),
]
OutOption = Annotated[Path, typer.Option("--out", help="The folder to write the report into.")]
PathsArgument = Annotated[
    list[Path], typer.Argument(metavar="PATH...", help="Files of records, or folders holding them.")
]
MapOption = Annotated[
    Path | None, typer.Option("--map", metavar="MAP.toml", help="The map of a sheet of your own.")
]
SetAsideOption = Annotated[
    Path | None,
    typer.Option("--set-aside", metavar="DIR", help="A folder for the rows set aside, to be read."),
]

ReplaceOption = Annotated[bool, typer.Option("--replace", help="Write over files that are there.")]

DEFAULT_STORE = Path("fleet.duckdb")
DEFAULT_OUT = Path("fleet-report")


def main() -> None:
    """Run the command line; every error that a person can mend ends in one message and exit code 1."""
    # Our matrices are small: threads of the linear algebra library only wait for one another, and on a busy
    # machine a fit takes several times as long with them. Must be said before numpy is imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        app()
    except SystemExit as end:
        if end.code == 130:  # what typer makes of Ctrl-C
            _stopped()
        raise
    except FleetstatsError as error:
        if _interrupted(error):
            _stopped()
        _fail(str(error))
    except BrokenPipeError:
        # the reader of a pipe has gone (`fleetstats table due | head`): not an error of ours
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise SystemExit(0) from None
    except Exception as error:
        if _interrupted(error):
            _stopped()
        if isinstance(error, OSError) and error.errno == errno.ENOSPC:
            _fail("the output cannot be written: no space is left on the disk; free some and try again")
        if os.environ.get("FLEETSTATS_TRACEBACK"):
            raise
        _fail(
            f"fleetstats met something it was not built for ({type(error).__name__}: {error}). "
            "Your files are as they were. Please report it; with FLEETSTATS_TRACEBACK=1 set, "
            "the same command shows where it happened"
        )


def _stopped() -> NoReturn:
    typer.echo("stopped; steps that were finished are kept, nothing half done", err=True)
    raise SystemExit(130)


def _interrupted(error: BaseException | None) -> bool:
    """Return whether Ctrl-C is behind an error that a library raised in its stead."""
    while error is not None:
        if isinstance(error, KeyboardInterrupt) or type(error).__name__ == "InterruptException":
            return True
        error = error.__cause__ or error.__context__
    return False


def _fail(message: str) -> NoReturn:
    typer.echo(f"fleetstats: {message}", err=True)
    raise SystemExit(1)


def _progress(message: str) -> None:
    if sys.stderr.isatty():
        typer.echo(f"  {message}", err=True)


def _day(text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        return _not_after_today(dt.date.fromisoformat(text))
    except ValueError:
        raise SettingsError(
            f"--as-of: found '{text}'; accepted is a day as YYYY-MM-DD; write it like 2026-06-30"
        ) from None


def _not_after_today(day: dt.date | None) -> dt.date | None:
    today = dt.date.today()
    if day is not None and day > today:
        raise SettingsError(
            f"--as-of: found {day}, which is still to come; accepted is a day up to today, {today}; "
            "leave it out to take the latest accepted visit"
        )
    return day


def _settings(path: Path | None) -> Settings:
    from fleetstats.settings import load_settings

    return load_settings(path)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"fleetstats {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="The folder to write.")] = Path("fleet-demo"),
) -> None:
    """Do the whole path on the sample records: load, analyse, report."""
    from fleetstats.pipeline import demo as run

    loaded, summary, index = run(out, today=dt.date.today(), progress=_progress)
    typer.echo(f"{loaded}\n{summary}")
    typer.echo(f"The sample fleet's report is ready. Open {index} in a browser.")


@app.command()
def load(
    paths: PathsArgument,
    store: StoreOption = DEFAULT_STORE,
    settings: SettingsOption = None,
    as_of: AsOfOption = None,
    import_map: MapOption = None,
    set_aside: SetAsideOption = None,
) -> None:
    """Read records into the store; rows that cannot be right are set aside with the reason."""
    from fleetstats.pipeline import load as run

    report = run(
        paths,
        store=store,
        settings=_settings(settings),
        today=_day(as_of) or dt.date.today(),
        progress=_progress,
        import_map=import_map,
        set_aside=set_aside,
    )
    typer.echo(report)


@app.command()
def analyse(
    store: StoreOption = DEFAULT_STORE, settings: SettingsOption = None, as_of: AsOfOption = None
) -> None:
    """Work out lives, intervals, visits and stock from the store's records, and keep them there."""
    from fleetstats.pipeline import analyse as run

    summary = run(store=store, settings=_settings(settings), as_of=_day(as_of), progress=_progress)
    typer.echo(summary)


@app.command()
def report(
    store: StoreOption = DEFAULT_STORE,
    settings: SettingsOption = None,
    as_of: AsOfOption = None,
    out: OutOption = DEFAULT_OUT,
    audience: Annotated[
        Audience, typer.Option("--for", help="Everyone, or a pack for suppliers.")
    ] = Audience.everyone,
) -> None:
    """Write the report of the last analysis as a folder of pages that opens anywhere."""
    from fleetstats.pipeline import report as run

    index = run(
        store=store,
        settings=_settings(settings) if settings else None,
        as_of=_day(as_of),
        out=out,
        audience=audience.value,
        progress=_progress,
    )
    typer.echo(f"The report is ready. Open {index} in a browser.")


@app.command()
def build(
    paths: PathsArgument,
    out: OutOption = DEFAULT_OUT,
    store: StoreOption = DEFAULT_STORE,
    settings: SettingsOption = None,
    as_of: AsOfOption = None,
    import_map: MapOption = None,
    set_aside: SetAsideOption = None,
) -> None:
    """Load, analyse and report in one go."""
    from fleetstats.pipeline import build as run

    loaded, summary, index = run(
        paths,
        out=out,
        store=store,
        settings=_settings(settings),
        as_of=_day(as_of),
        today=dt.date.today(),
        progress=_progress,
        import_map=import_map,
        set_aside=set_aside,
    )
    typer.echo(f"{loaded}\n{summary}")
    typer.echo(f"The report is ready. Open {index} in a browser.")


@app.command()
def table(
    name: Annotated[str | None, typer.Argument(help="The table; without it all are listed.")] = None,
    store: StoreOption = DEFAULT_STORE,
    form: Annotated[
        TableFormat,
        typer.Option("--format", parser=_table_format, metavar=_FORMATS, help="How to write it."),
    ] = TableFormat.text,
    out: Annotated[Path | None, typer.Option("--out", help="A file to write it into.")] = None,
    replace: ReplaceOption = False,
) -> None:
    """Print or write any result table; without a name list them with columns, units and meanings."""
    from fleetstats.table_output import list_tables, write_table

    text = (
        list_tables(store, out, replace=replace)
        if name is None
        else write_table(store, name, form.value, out, replace=replace)
    )
    if text is not None:
        typer.echo(text, nl=not text.endswith("\n"))


@app.command()
def replay(
    store: StoreOption = DEFAULT_STORE, settings: SettingsOption = None, as_of: AsOfOption = None
) -> None:
    """Test the method on these records: predict from past dates, hold it against what followed."""
    from fleetstats.pipeline import replay as run

    typer.echo(run(store=store, settings=_settings(settings), as_of=_day(as_of), progress=_progress))


@app.command()
def settings(settings: SettingsOption = None) -> None:
    """Print the settings in force as TOML: unit, default, and where each value came from."""
    from fleetstats.settings import settings_toml

    typer.echo(settings_toml(_settings(settings)), nl=False)


@app.command("draft-map")
def draft_map(
    sheet: Annotated[
        Path | None, typer.Argument(metavar="FILE", help="The sheet; with --blank the empty sheet to write.")
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="MAP.toml", help="The map to write.")] = None,
    settings: SettingsOption = None,
    blank: Annotated[
        bool, typer.Option("--blank", help="Write an empty sheet, its map, and a slip to print instead.")
    ] = False,
    replace: ReplaceOption = False,
) -> None:
    """Write a first import map of a sheet of your own, and beside it its words to be answered."""
    from fleetstats.pipeline import write_blank, write_draft

    if blank:
        typer.echo(write_blank(sheet, settings=_settings(settings), replace=replace))
        return
    if sheet is None:
        raise typer.BadParameter("name the sheet, or say --blank", param_hint="FILE")
    today = dt.date.today()
    typer.echo(write_draft(sheet, out=out, settings=_settings(settings), today=today, replace=replace))


@app.command()
def sample(
    sites: Annotated[int, typer.Option("--sites", min=1, help="How many homes.")],
    out: Annotated[Path, typer.Option("--out", help="The folder to write.")],
    seed: Annotated[int, typer.Option("--seed", min=0, help="Another seed, another fleet.")] = 0,
    replace: ReplaceOption = False,
) -> None:
    """Invent a fleet's records, of any size, for trying and timing."""
    from fleetstats.sample import write_sample

    written = write_sample(sites, out, seed=seed, replace=replace)
    typer.echo(f"{written} invented records are in {out}; read them with: fleetstats build {out}")
