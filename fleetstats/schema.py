"""Opens the DuckDB file of a store, made new or brought to the schema that this version works with."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

import duckdb

from fleetstats.errors import StoreError

SCHEMA_VERSION = 3
#: Schema version -> the statements that make it the next one. A version that is not here is refused.
MIGRATIONS: Mapping[int, tuple[str, ...]] = MappingProxyType(
    {
        1: ("ALTER TABLE IF EXISTS journal.refused ADD COLUMN IF NOT EXISTS record VARCHAR",),
        2: ("DROP TABLE IF EXISTS journal.mended",),
    }
)
_NEW_STORE = (
    "CREATE SCHEMA records",
    "CREATE SCHEMA journal",
    "CREATE SCHEMA results",
    f"CREATE TABLE main.fleetstats_store AS SELECT {SCHEMA_VERSION} AS schema_version",
)
IN_MEMORY = ":memory:"
_NEW_FILE = "or load the records into a new file (--store NEW.duckdb)"
_MAGIC = slice(8, 12), b"DUCK"  # where every DuckDB file says what it is


def open_store(path: str, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    """Return a connection to a store of the current schema; a new file, or an older one, is made so first.

    Raises
    ------
    StoreError
        If the file is in use, damaged, no store of fleetstats, cannot be opened, or has a schema that this
        version does not know or, when it is only read, an older one.
    """
    con = _connect(path, read_only)
    try:
        _see_to_schema(con, path, read_only)
    except duckdb.Error as exc:
        con.close()
        raise StoreError(f"store {path}: {_why_not_opened(str(exc))}") from exc
    except BaseException:
        con.close()
        raise
    return con


def _connect(path: str, read_only: bool) -> duckdb.DuckDBPyConnection:
    quiet: dict[str, str | bool | int | float | list[str]] = {
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
    }
    if path == IN_MEMORY:
        return duckdb.connect(path, config=quiet)
    _refuse_other_files(path)
    try:
        # the whole path, as DuckDB takes "md:..." and the like for places on the net
        place = Path(path).absolute()
        if not read_only and not place.exists():
            _make(place)
        return duckdb.connect(str(place), read_only=read_only, config=quiet)
    except (duckdb.Error, OSError) as exc:
        raise StoreError(f"store {path}: {_why_not_opened(str(exc))}") from exc


def _make(place: Path) -> None:
    """Make a new store beside its place and move it there whole: a kill leaves no half-made file."""
    unfinished = place.with_name(place.name + ".new")
    unfinished.unlink(missing_ok=True)
    try:
        with duckdb.connect(str(unfinished)) as con:
            _run_as_one(con, _NEW_STORE)
            con.execute("CHECKPOINT")  # closing would do it too, but not say if it could not
        unfinished.replace(place)
    finally:
        for leftover in (unfinished, place.with_name(unfinished.name + ".wal")):
            leftover.unlink(missing_ok=True)


def _refuse_other_files(path: str) -> None:
    """Refuse a folder or a file of another kind: DuckDB would open a CSV file and keep nothing."""
    try:
        with Path(path).open("rb") as file:
            head = file.read(_MAGIC[0].stop)
    except IsADirectoryError as exc:
        raise StoreError(
            f"store {path}: is a folder; accepted is a file: name one in it (--store {path}/fleet.duckdb)"
        ) from exc
    except OSError:  # not there yet, or not to be read: DuckDB says so
        return
    if head[_MAGIC[0]] != _MAGIC[1]:
        raise StoreError(
            f"store {path}: is damaged or no DuckDB file; put back a copy of it, name another with --store, "
            f"{_NEW_FILE}"
        )


def _why_not_opened(reason: str) -> str:
    if "Could not set lock" in reason or "used by another process" in reason:
        return "is in use by another program; close that one, or wait until it has finished, and try again"
    if "database does not exist" in reason:
        return "not found; load records first: fleetstats load PATH"
    if "Permission denied" in reason or "Read-only file system" in reason:
        return (
            "must not be written or read by you here; change the rights to the file and its folder, or name "
            "a file in a folder of your own with --store"
        )
    if "Could not write" in reason or "No space left" in reason:
        return f"could not be made ({reason}); free some room on the disk and try again"
    if any(sign in reason for sign in ("not a valid DuckDB", "orrupt", "Serialization", "hecksum")):
        return f"is damaged ({reason}); put back a copy of it, {_NEW_FILE}"
    return f"cannot be opened ({reason}); check the path and the rights to it"


def _see_to_schema(con: duckdb.DuckDBPyConnection, path: str, read_only: bool) -> None:
    query = "SELECT schema_name || '.' || table_name FROM duckdb_tables()"
    tables = {name for (name,) in con.execute(query).fetchall()}
    if "main.fleetstats_store" in tables:
        found = con.execute("SELECT max(schema_version) FROM main.fleetstats_store").fetchall()[0][0]
        if found != SCHEMA_VERSION:
            _migrate(con, path, found, read_only)
    elif tables:
        raise StoreError(
            f"store {path}: is a DuckDB file but no store of fleetstats; name another with --store"
        )
    elif not read_only:
        _run_as_one(con, _NEW_STORE)


def _migrate(con: duckdb.DuckDBPyConnection, path: str, found: int | None, read_only: bool) -> None:
    """Bring an older store to the current schema, in one transaction."""
    head = f"store {path}: has schema version {found}, this fleetstats works with {SCHEMA_VERSION}"
    if found is not None and found > SCHEMA_VERSION:
        raise StoreError(f"{head}; use the newer fleetstats that made it, {_NEW_FILE}")
    steps = range(found or 0, SCHEMA_VERSION)
    if any(step not in MIGRATIONS for step in steps):
        raise StoreError(f"{head}, and knows no way from the one to the other; keep the file, {_NEW_FILE}")
    if read_only:
        raise StoreError(
            f"{head}; it is brought up to date when it is next written: run fleetstats analyse --store {path}"
        )
    statements = [statement for step in steps for statement in MIGRATIONS[step]]
    _run_as_one(con, [*statements, f"UPDATE main.fleetstats_store SET schema_version = {SCHEMA_VERSION}"])


def _run_as_one(con: duckdb.DuckDBPyConnection, statements: Sequence[str]) -> None:
    con.execute("BEGIN")
    for statement in statements:  # whoever opens closes the file after an error: that undoes them all
        con.execute(statement)
    con.execute("COMMIT")
