"""The words of a sheet and what each means: the lists of an import map and the spreadsheet of answers."""

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fleetstats.components import CONDITIONS
from fleetstats.errors import IntakeError
from fleetstats.intake.fields import ACTIONS, Column, nearest, plain
from fleetstats.intake.readers import read_grids
from fleetstats.intake.readers.choose import file_bytes
from fleetstats.safe_csv import unguarded

#: Answers that stand for "no value" and "nothing was done to this component".
BLANK, NOTHING = "blank", "nothing"
ANSWER_COLUMNS: Final = ("column", "word", "count", "guess", "answer", "why")


@dataclass(frozen=True, slots=True)
class WorkWord:
    """What one cell's word says of a component: nothing at all, or an action and what was found."""

    component: str | None = None
    action: str | None = None
    condition: str | None = None


def same_word(word: str) -> str:
    """Return a word as it is compared: case and blanks forgiven."""
    return " ".join(word.casefold().split())


def read_value(answer: str, column: Column, where: str) -> str | None:
    """Return the allowed word that an answer names for a field; None for a blank.

    Raises
    ------
    IntakeError
        If the field accepts no such word; the nearest is named.
    """
    bare = plain(answer)
    if bare == BLANK:
        return None
    allowed = ("yes", "no") if column.kind == "yes_no" else column.words
    if column.kind in ("word", "yes_no") and bare not in allowed:
        raise IntakeError(
            f"{where}: found '{answer}'; accepted are {', '.join((*allowed, BLANK))}; the nearest is "
            f"'{nearest(answer, (*allowed, BLANK))}'"
        )
    return bare if column.kind in ("word", "yes_no") else answer


def read_work(answer: str, where: str, components: Collection[str]) -> WorkWord:
    """Return what an answer like `replaced, blocked` says of the work on a component.

    Parameters
    ----------
    answer : str
        An action, then what was found if that is known; or `nothing`, or `blank`. Where a column holds items
        of every kind, the component comes first.
    where : str
        The place it was written, for the message.
    components : collection of str
        The components that may be named; empty where the column already says which it is.

    Raises
    ------
    IntakeError
        If a part of it is no action, condition or component.
    """
    parts = [plain(part) for part in answer.replace("/", ",").replace("+", ",").split(",") if part.strip()]
    if parts in ([NOTHING], [BLANK]):
        return WorkWord()
    known = {**dict.fromkeys(components, "component"), **dict.fromkeys(CONDITIONS, "condition")}
    known |= dict.fromkeys(ACTIONS, "action")
    found: dict[str, str] = {}
    for part in parts:
        kind = known.get(part)
        if kind is None or kind in found:
            raise IntakeError(
                f"{where}: found '{answer}'; accepted is {'a component, ' if components else ''}an action "
                f"({', '.join(ACTIONS)}) and, if known, what was found ({', '.join(CONDITIONS)}), with "
                "commas "
                f"between, or {NOTHING}; the nearest to '{part}' is '{nearest(part, (*known, NOTHING))}'"
            )
        found[kind] = part
    if "action" not in found or (components and "component" not in found):
        raise IntakeError(
            f"{where}: found '{answer}'; {'a component and ' if components else ''}an action is needed, one "
            f"of {', '.join(ACTIONS)}; write it first, or {NOTHING} if the word means no work"
        )
    return WorkWord(found.get("component"), found["action"], found.get("condition"))


def read_answers(path: Path) -> dict[str, dict[str, tuple[str, str]]]:
    """Return the answers of the spreadsheet beside a map: column -> word -> (answer, place it stands).

    Columns and words are written as `same_word` writes them.

    An empty answer means the guess; with no guess either the word stays unknown. A word may stand twice: the
    last row counts.

    Raises
    ------
    IntakeError
        If the file cannot be read or a column of it is missing.
    """
    data = file_bytes(path)
    grid = read_grids(data, path, score=lambda row: sum(plain(cell) in ANSWER_COLUMNS for cell in row))[0]
    place = {plain(name): str(i) for i, name in enumerate(grid.header)}
    missing = [name for name in ("column", "word", "guess", "answer") if name not in place]
    if missing:
        raise IntakeError(
            f"{path}: the column '{missing[0]}' is missing; accepted are {', '.join(ANSWER_COLUMNS)}; put it "
            "back, or write the file anew with fleetstats draft-map"
        )
    found: dict[str, dict[str, tuple[str, str]]] = {}
    for row in grid.rows.iter_rows(named=True):
        column, word, guess, answer = (row[place[name]] for name in ("column", "word", "guess", "answer"))
        meaning = unguarded(answer or guess or "")
        if column and word and meaning:
            where = f"{path.name}, line {row['line']}, {'answer' if answer else 'guess'}"
            found.setdefault(same_word(unguarded(column)), {})[same_word(unguarded(word))] = (meaning, where)
    return found
