"""Finds names of customers or sites that may be one and the same, written twice."""

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

#: How alike two names must be, and how many neighbours in the alphabet are looked at.
ALIKE, NEIGHBOURS = 0.88, 4


@dataclass(frozen=True, slots=True)
class NearName:
    """A name that may be another, more frequent one; `same` if they differ in case, blanks or signs alone."""

    name: str
    other: str
    same: bool


def near_names(counts: Mapping[str, int]) -> list[NearName]:
    """Return the names that look like another one, with that other, the more frequent of the two.

    Names with different figures in them are different: `Lot 4` is not `Lot 14`.

    Parameters
    ----------
    counts : mapping of str to int
        How often each name is written.
    """
    found: dict[str, NearName] = {}
    for left, right in _pairs(counts):
        few, many = sorted((left, right), key=lambda name: (counts[name], name))
        same = _squeezed(left) == _squeezed(right)
        known = found.get(few)
        if known is None or (same and not known.same):
            found[few] = NearName(few, many, same)
    return sorted(found.values(), key=lambda near: (near.other, near.name))


def _pairs(names: Iterable[str]) -> Iterable[tuple[str, str]]:
    known = list(names)
    for order in (_squeezed, _by_tokens):
        ranked = sorted(known, key=lambda name: (_figures(name), order(name), name))
        for i, left in enumerate(ranked):
            for right in ranked[i + 1 : i + 1 + NEIGHBOURS]:
                if _figures(left) == _figures(right) and _alike(order(left), order(right)):
                    yield left, right


def _alike(left: str, right: str) -> bool:
    if left == right:
        return True
    if min(len(left), len(right)) < 4:
        return False
    return difflib.SequenceMatcher(None, left, right, autojunk=False).ratio() >= ALIKE


def _figures(name: str) -> str:
    return " ".join(re.findall(r"\d+", name))


def _squeezed(name: str) -> str:
    return re.sub(r"[\W_]+", "", name.casefold())


def _by_tokens(name: str) -> str:
    return " ".join(sorted(re.findall(r"\w+", name.casefold())))
