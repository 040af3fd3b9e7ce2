"""Files and folders written for a person: nothing is removed or overwritten that the tool did not write."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType

from fleetstats.errors import OutputError

#: The file that lists what a run wrote into a folder of its own, with the sha256 of each.
LIST = "fleetstats-files.json"
#: Ending of the hidden folder beside a folder that is being written.
_WORK = ".fleetstats-unfinished"


def write_files(files: Mapping[Path, bytes], *, replace: bool) -> None:
    """Write files beside whatever else their folders hold: all are looked at before the first is written.

    Parameters
    ----------
    files : mapping of Path to bytes
    replace : bool
        Write over files that are there already.

    Raises
    ------
    OutputError
        If one is there already and `replace` was not said, or if the disk refuses.
    """
    for path in files:
        there = os.path.lexists(path)
        if there and not (replace and path.is_file() and not path.is_symlink()):
            raise OutputError(
                f"{path}: is there already; "
                + (
                    "accepted is a plain file in its place; "
                    if replace
                    else "say --replace to write over it, or "
                )
                + "name another place with --out"
            )
    for path, data in files.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            _write_whole(path, data, replace=replace)
        except OSError as exc:
            raise OutputError(
                f"{path}: cannot be written ({exc.strerror or exc}); free some space or name another place "
                "with --out"
            ) from exc


def _write_whole(path: Path, data: bytes, *, replace: bool) -> None:
    """Write a file that appears whole: under a name of its own first, then in its place."""
    handle, name = tempfile.mkstemp(prefix=f".{path.name[:80]}-", dir=path.parent)
    unfinished = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        unfinished.chmod(0o666 & ~_umask())
        if replace:
            unfinished.replace(path)
        else:
            try:
                os.link(unfinished, path)  # unlike a rename, never over a file made meanwhile
            except FileExistsError:
                raise
            except (OSError, AttributeError):  # a disk without second names
                unfinished.rename(path)
    finally:
        unfinished.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def check_folder(out: Path, what: str) -> None:
    """Raise where `out` is not a place for such a folder; finish a swap that was cut short.

    Parameters
    ----------
    out : Path
    what : str
        What the folder holds, as in its list: one of another kind is not replaced.

    Raises
    ------
    OutputError
        If it is a file or a link; if it holds anything and no list of that kind; or if a listed file was
        changed.
    """
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise OutputError(
            f"folder {out}: a file or a link is there; name a new folder, an empty one, or an earlier {what}"
        )
    try:
        with _locked(out, make=False) as work:
            if work is not None:
                _settle(work, out)
        held = next(out.iterdir(), None) if out.is_dir() else None
        listed = _listed(out, what)
        changed = [name for name, digest in listed.items() if _digest(out / name) not in (digest, None)]
    except OSError as exc:
        raise _cannot_write(out, exc) from exc
    if held is not None and not listed:
        raise OutputError(
            f"folder {out}: it holds '{held.name}', which no {what} put there; accepted are a new folder, an "
            f"empty one, or an earlier {what}: move that away or name another folder"
        )
    if changed:
        raise OutputError(
            f"folder {out}: '{changed[0]}' was changed since it was written; move it away, or name another "
            "folder"
        )


@contextmanager
def own_folder(out: Path, what: str) -> Iterator[Path]:
    """Yield an empty folder that takes the place of `out` whole when the block ends without an error.

    Of an earlier folder only what its list names, unchanged, is removed; anything else in it is kept where it
    was. A run that is killed leaves the old folder or the new one, or a swap that the next run finishes.

    Raises
    ------
    OutputError
        As `check_folder`; if something else lies where a new file belongs; if another run writes there; or
        if the disk refuses. The earlier folder then stays as it was.
    """
    check_folder(out, what)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with _locked(out, make=True) as work:
            assert work is not None
            try:
                fresh = work / "fresh"
                fresh.mkdir()
                yield fresh
                _list(fresh, what)
                _keep_others(out, fresh)
                with _undisturbed():
                    (work / "complete").touch()
                    if out.is_dir():
                        out.rename(work / "earlier")
                    fresh.rename(out)
            finally:
                with _undisturbed():
                    _settle(work, out)
    except OSError as exc:
        raise _cannot_write(out, exc) from exc


def _settle(work: Path, out: Path) -> None:
    """Finish or undo a swap wherever it was cut short, and clear up: either way nothing of others is lost."""
    fresh, earlier = work / "fresh", work / "earlier"
    if not out.exists() and earlier.is_dir():
        (fresh if (work / "complete").exists() and fresh.is_dir() else earlier).rename(out)
    elif not out.exists() and (work / "complete").exists() and fresh.is_dir():
        fresh.rename(out)
    if earlier.is_dir():
        _remove_own(earlier, out)
    shutil.rmtree(fresh, ignore_errors=True)  # ours, and second names of what others put into `out`
    (work / "complete").unlink(missing_ok=True)


def _remove_own(earlier: Path, out: Path) -> None:
    """Remove what an earlier folder's list names, and what has its place in the new one; keep the rest."""
    listed = _listed(earlier)
    # the list goes last: a run cut short here must still know in the next what was ours
    for path in sorted(earlier.rglob("*"), key=lambda p: (p != earlier / LIST, p), reverse=True):
        if path.is_dir() and not path.is_symlink():
            with suppress(OSError):  # not empty: holds what is kept
                path.rmdir()
            continue
        name = path.relative_to(earlier).as_posix()
        ours = name == LIST or (name in listed and _digest(path) == listed[name])
        if ours or _same(path, out / name):
            path.unlink()
        elif not os.path.lexists(out / name):  # put there while the swap was under way
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            path.rename(out / name)
    with suppress(OSError):
        earlier.rmdir()


def _same(one: Path, other: Path) -> bool:
    if one.is_symlink() or other.is_symlink():
        return one.is_symlink() and other.is_symlink() and one.readlink() == other.readlink()
    if not other.exists():
        return False
    return one.samefile(other) or (one.is_file() and _digest(one) == _digest(other))


def _keep_others(out: Path, fresh: Path) -> None:
    """Give everything in `out` that its list does not name its place in `fresh` as well."""
    if not out.is_dir():
        return
    listed = {LIST, *_listed(out)}
    ours = {parent.as_posix() for name in listed for parent in Path(name).parents}
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        target = fresh / name
        if path.is_dir() and not path.is_symlink():
            if name not in ours:
                target.mkdir(parents=True, exist_ok=True)
                shutil.copystat(path, target)
        elif name not in listed:
            if os.path.lexists(target):
                raise OutputError(
                    f"folder {out}: '{name}' is not of an earlier run and lies where a new file belongs; "
                    "move it away, or name another folder"
                )
            target.parent.mkdir(parents=True, exist_ok=True)
            _second_name(path, target)


def _second_name(path: Path, target: Path) -> None:
    if path.is_symlink():
        target.symlink_to(path.readlink())
        return
    try:
        os.link(path, target)
    except (OSError, AttributeError):  # a disk without second names
        shutil.copy2(path, target)


def _list(folder: Path, what: str) -> None:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    listed = {path.relative_to(folder).as_posix(): _digest(path) for path in files}
    text = json.dumps({"written by": "fleetstats", "what": what, "sha256": listed}, indent=0)
    (folder / LIST).write_text(text + "\n", encoding="utf-8", newline="\n")


def _listed(folder: Path, what: str | None = None) -> dict[str, str]:
    """Return the digests by name that the list of a folder of that kind holds; none without such a list."""
    try:
        held = json.loads((folder / LIST).read_text(encoding="utf-8"))
        found, kind = dict(held["sha256"]), held["what"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return {name: digest for name, digest in found.items() if _inside(name)} if what in (None, kind) else {}


def _inside(name: str) -> bool:
    """Return whether a listed name stays in its folder: a list may have been tampered with."""
    path = Path(name)
    return not path.is_absolute() and ".." not in path.parts


def _digest(path: Path) -> str | None:
    """Return the sha256 of a plain file, None where there is none."""
    if path.is_symlink() or not path.is_file():
        return None
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def _locked(out: Path, *, make: bool) -> Iterator[Path | None]:
    """Yield the work folder beside `out`, held by this run alone; None where there is none and `make` is off.

    The operating system frees the lock of a run that was killed.
    """
    where = out.parent.resolve()
    work = where / f".{out.name}{_WORK}"
    if not make and not work.is_dir():
        yield None
        return
    work.mkdir(exist_ok=True)
    with (work / "lock").open("w") as lock:
        try:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except ImportError:  # no such locks on this system
            pass
        except BlockingIOError as exc:
            raise OutputError(
                f"folder {out}: another run is writing there; wait until it has finished, or name another "
                "folder"
            ) from exc
        try:
            yield work
        finally:
            (work / "lock").unlink(missing_ok=True)
            with suppress(OSError):  # holds what could not be put back: left for a person to see
                work.rmdir()


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Put off Ctrl-C and a request to end until the block is through."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def note(number: int, _: FrameType | None) -> None:
        came.append(number)

    before = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        for came_number in came:
            signal.raise_signal(came_number)


def _cannot_write(out: Path, exc: OSError) -> OutputError:
    return OutputError(
        f"folder {out}: it cannot be written ({exc.strerror or exc}); nothing was changed there: free some "
        "space or name another folder"
    )
