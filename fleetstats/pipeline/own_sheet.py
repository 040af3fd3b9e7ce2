"""A sheet of one's own: drafts its map, writes the blank slip, and loads it with the map."""

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from fleetstats.errors import IntakeError
from fleetstats.intake.accept import LoadReport, load_paths
from fleetstats.intake.blank_slip import blank_files
from fleetstats.intake.draft_map import draft_map
from fleetstats.intake.import_map import read_map
from fleetstats.intake.set_aside import write_set_aside
from fleetstats.outputs import write_files
from fleetstats.settings import Settings
from fleetstats.store import Store


def load_records(
    store: Store,
    paths: Sequence[Path],
    *,
    settings: Settings,
    today: date,
    import_map: Path | None = None,
    set_aside: Path | None = None,
) -> LoadReport:
    """Return what became of every file read into an open store.

    Parameters
    ----------
    import_map : Path, optional
        The map for sheets of one's own.
    set_aside : Path, optional
        A folder for the rows that were set aside, with the reasons, to be read.
    """
    components = tuple(settings.components)
    rules = None if import_map is None else read_map(import_map, components)
    report = load_paths(store, paths, today=today, components=components, import_map=rules)
    if set_aside is not None:
        write_set_aside(store, set_aside)
    return report


def write_draft(sheet: Path, *, out: Path | None, settings: Settings, today: date, replace: bool) -> str:
    """Return what was written: a first map of a sheet, and beside it the spreadsheet of its words.

    Parameters
    ----------
    out : Path, optional
        The map; in this folder and called after the sheet if not given.
    replace : bool
        Write over a map and words that are there already.
    """
    target = out or Path(f"{sheet.stem}_map.toml")
    words = target.with_name(f"{target.stem.removesuffix('_map')}_words.csv")
    draft = draft_map(sheet, words_name=words.name, today=today, components=tuple(settings.components))
    write_files({target: draft.toml.encode(), words: draft.words.encode("utf-8-sig")}, replace=replace)
    return (
        f"{target}: {draft.told}.\nRead {target}, write answers into {words} where a guess is wrong, then "
        "run: "
        f"fleetstats build {sheet} --map {target}"
    )


def write_blank(sheet: Path | None, *, settings: Settings, replace: bool) -> str:
    """Return what was written: an empty sheet, its map, and a slip to print that asks for the same."""
    target = sheet or Path("visits_by_hand.csv")
    if target.suffix.lower() != ".csv":
        raise IntakeError(
            f"{target}: found the ending '{target.suffix}'; accepted for an empty sheet is .csv"
        )
    slip, rules = target.with_suffix(".html"), target.with_name(f"{target.stem}_map.toml")
    blank = blank_files(target.name, tuple(settings.components))
    write_files(
        {target: blank.sheet.encode("utf-8-sig"), slip: blank.slip.encode(), rules: blank.toml.encode()},
        replace=replace,
    )
    return (
        f"Print {slip} for the van, type the slips into {target}, then run: "
        f"fleetstats build {target} --map {rules}"
    )
