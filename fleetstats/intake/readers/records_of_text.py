"""Finds where each record of a separated text starts and ends, on which line, and how many fields it has."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_PIECE = 1 << 18
_OTHER_SPACES = ("\t", "\x0b", "\x0c", "\x1c", "\x1d", "\x1e", "\x1f")


@dataclass(frozen=True, slots=True)
class TextRecords:
    """Where each record of a text file starts and ends, its line, and how many fields it has."""

    body: bytes
    starts: np.ndarray
    ends: np.ndarray
    lines: np.ndarray
    fields: np.ndarray
    open_quote: bool

    @classmethod
    def of(cls, body: bytes, separator: str) -> TextRecords:
        """Return the records of `body`: a newline or separator inside quotes is part of a field."""
        codes = np.frombuffer(body, dtype=np.uint8)
        newlines = _places(codes, "\n")
        separators = _places(codes, separator)
        breaks, open_quote = newlines, False
        if b'"' in body:
            quotes = _places(codes, '"')
            breaks, separators = _outside(newlines, quotes), _outside(separators, quotes)
            open_quote = len(quotes) % 2 == 1
        ends = np.append(breaks, len(body))
        starts = np.append(0, breaks + 1)
        lines = (
            np.searchsorted(newlines, starts) + 1
            if len(breaks) < len(newlines)
            else np.arange(len(starts)) + 1
        )
        fields = _count_fields(separators, starts, ends)
        blank = (ends <= starts) | ((ends == starts + 1) & (codes[np.minimum(starts, len(codes) - 1)] == 13))
        kept = ~blank
        return cls(body, starts[kept], ends[kept], lines[kept], fields[kept], open_quote)

    def text(self, i: int) -> str:
        """Return the text of record `i`."""
        return self.body[self.starts[i] : self.ends[i]].decode().rstrip("\r")

    def bare_fields(self, separator: str) -> bool:
        """Return whether surely no field has white space round it: found without parting the fields."""
        if not self.body.isascii() or any(
            space.encode() in self.body for space in _OTHER_SPACES if space != separator
        ):
            return False
        codes = np.frombuffer(self.body, dtype=np.uint8)
        spaces = _places(codes, " ")
        edges = np.zeros(256, dtype=bool)
        edges[[ord(separator), ord("\n"), ord("\r"), ord('"')]] = True
        before, after = codes[np.maximum(spaces - 1, 0)], codes[np.minimum(spaces + 1, len(codes) - 1)]
        first_or_last = len(spaces) and (spaces[0] == 0 or spaces[-1] == len(codes) - 1)
        return not (first_or_last or edges[before].any() or edges[after].any())

    def after(self, header: int, bad: np.ndarray) -> bytes:
        """Return the file below the record `header`, less the records `bad` and the blank ones."""
        keep = np.ones(len(self.starts), dtype=bool)
        keep[: header + 1] = False
        keep[bad] = False
        starts, ends = self.starts[keep], self.ends[keep]
        if not len(starts):
            return b""
        if int((ends - starts + 1).sum()) == ends[-1] - starts[0] + 1:
            return self.body[starts[0] : ends[-1]]
        return b"\n".join(self.body[i:j] for i, j in zip(starts, ends, strict=True))


def _places(codes: np.ndarray, character: str) -> np.ndarray:
    """Return where a character stands, looked for piece by piece: a piece stays in the processor's cache."""
    pieces = [
        np.flatnonzero(codes[at : at + _PIECE] == ord(character)) + at for at in range(0, len(codes), _PIECE)
    ]
    return np.concatenate(pieces) if pieces else np.empty(0, dtype=np.int64)


def _outside(places: np.ndarray, quotes: np.ndarray) -> np.ndarray:
    """Return the places that are not between an opening and a closing quotation mark (or the end)."""
    marks = np.searchsorted(places, quotes)
    opened = marks[0::2]
    closed = np.append(marks[1::2], len(places))[: len(opened)]
    inside = [np.arange(i, j) for i, j in zip(opened.tolist(), closed.tolist(), strict=True) if i < j]
    return np.delete(places, np.concatenate(inside)) if inside else places


def _count_fields(separators: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return how many fields each record has."""
    filled = ends > starts  # a blank line has no separator
    each, rest = divmod(len(separators), max(int(filled.sum()), 1))
    if each and not rest:  # nearly always: the same number in every record, seen without searching
        table = separators.reshape(-1, each)
        if (table[:, 0] >= starts[filled]).all() and (table[:, -1] < ends[filled]).all():
            return np.where(filled, each + 1, 1)
    before_end = np.searchsorted(separators, ends)
    return np.diff(before_end, prepend=0) + 1
