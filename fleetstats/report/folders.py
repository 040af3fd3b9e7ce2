"""A folder that appears whole: written beside its place and swapped in, never left half done."""

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from fleetstats.errors import ReportError

#: The file that says a folder is one of our reports, and what lies at its top.
MARK = "fleetstats-report.json"


@contextmanager
def swapped_in(out: Path) -> Iterator[Path]:
    """Yield an empty folder beside `out` that takes its place when the block ends without an error.

    Raises
    ------
    ReportError
        If `out` is a file, a link, or a folder that holds anything but an earlier report; or if the disk
        refuses. An earlier report then stays as it was.
    """
    refuse_foreign(out)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent.resolve()))
    except OSError as exc:
        raise _cannot_write(out, exc) from exc
    try:
        fresh = work / "report"
        fresh.mkdir()  # not mkdtemp's own folder, which others may not read
        yield fresh
        entries = sorted(entry.name for entry in fresh.iterdir())
        mark = json.dumps({"what": "fleetstats report", "entries": entries}, indent=1)
        (fresh / MARK).write_text(mark + "\n", encoding="utf-8", newline="\n")
        _swap(fresh, out, work / "earlier")
    except OSError as exc:
        raise _cannot_write(out, exc) from exc
    finally:
        shutil.rmtree(work, ignore_errors=True)


def refuse_foreign(out: Path) -> None:
    """Raise where `out` is not a place that a report may take.

    Raises
    ------
    ReportError
        If it is a file, a link, or a folder that holds anything but an earlier report.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise ReportError(
            f"report folder {out}: a file or a link is there; name a new folder, an empty one, or an "
            "earlier report with --out"
        )
    if not out.is_dir():
        return
    entries = {entry.name for entry in out.iterdir()}
    foreign = sorted(entries - _own_entries(out))
    if foreign:
        raise ReportError(
            f"report folder {out}: it holds '{foreign[0]}', which no report put there; accepted are a new "
            "folder, an empty one, or an earlier report: move that away or name another folder with --out"
        )


def _own_entries(out: Path) -> set[str]:
    try:
        mark = json.loads((out / MARK).read_text(encoding="utf-8"))
        return {MARK, *mark["entries"]} if mark["what"] == "fleetstats report" else set()
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _swap(fresh: Path, out: Path, earlier: Path) -> None:
    if not out.is_dir():
        fresh.rename(out)
        return
    out.rename(earlier)
    try:
        fresh.rename(out)
    except OSError:
        earlier.rename(out)
        raise


def _cannot_write(out: Path, exc: OSError) -> ReportError:
    return ReportError(
        f"report folder {out}: it cannot be written ({exc.strerror or exc}); nothing was changed there: "
        "free some space or name another folder with --out"
    )
