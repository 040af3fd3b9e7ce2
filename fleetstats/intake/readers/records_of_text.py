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
    folded: bool  # some field goes over several lines

    @classmethod
    def of(cls, body: bytes, separator: str) -> TextRecords:
        """Return the records of `body`: a newline or separator inside quotes is part of a field."""
        codes = np.frombuffer(body, dtype=np.uint8)
        found = _scan(codes, separator, quoted=b'"' in body)
        ends = np.append(found.breaks, len(body))
        starts = np.append(0, found.breaks + 1)
        lines = np.append(1, found.newlines_before + 2)
        fields = np.diff(np.append(found.separators_before, found.separators), prepend=0) + 1
        blank = (ends <= starts) | ((ends == starts + 1) & (codes[np.minimum(starts, len(codes) - 1)] == 13))
        kept = ~blank if blank.any() else slice(None)
        return cls(body, starts[kept], ends[kept], lines[kept], fields[kept], found.open_quote, found.folded)

    def text(self, i: int) -> str:
        """Return the text of record `i`."""
        return self.body[self.starts[i] : self.ends[i]].decode().rstrip("\r")

    def bare_fields(self, separator: str) -> bool:
        """Return whether surely no field has white space round it: found without parting the fields."""
        if (
            self.folded
            or not self.body.isascii()
            or any(space.encode() in self.body for space in _OTHER_SPACES if space != separator)
        ):
            return False
        codes = np.frombuffer(self.body, dtype=np.uint8)
        spaces = _places(codes, " ")
        edges = np.zeros(256, dtype=bool)
        edges[[ord(separator), ord("\n"), ord("\r"), ord('"')]] = True
        before, after = codes[np.maximum(spaces - 1, 0)], codes[np.minimum(spaces + 1, len(codes) - 1)]
        first_or_last = len(spaces) and (spaces[0] == 0 or spaces[-1] == len(codes) - 1)
        return not (first_or_last or edges[before].any() or edges[after].any())

    def after(self, header: int, bad: np.ndarray) -> tuple[bytes, int]:
        """Return the file less the records `bad` and the blank ones, and how many of its lines to skip.

        The lines to skip are those down to the record `header`.
        """
        keep = np.ones(len(self.starts), dtype=bool)
        keep[: header + 1] = False
        keep[bad] = False
        starts, ends = self.starts[keep], self.ends[keep]
        if not len(starts):
            return b"", 0
        whole = int((ends - starts + 1).sum()) == ends[-1] - starts[0] + 1
        if whole and ends[-1] >= len(self.body) - 1:  # nearly always: nothing to copy
            return self.body, int(self.lines[keep][0]) - 1
        return b"\n".join(self.body[i:j] for i, j in zip(starts, ends, strict=True)), 0


@dataclass(frozen=True, slots=True)
class _Scan:
    """Where the records of a text break, with the newlines and separators passed before each break."""

    breaks: np.ndarray
    newlines_before: np.ndarray
    separators_before: np.ndarray
    separators: int
    open_quote: bool
    folded: bool


def _scan(codes: np.ndarray, separator: str, *, quoted: bool) -> _Scan:
    """Return what `_Scan` holds, found piece by piece: a piece stays in the processor's cache."""
    breaks, lines, fields = [], [], []
    passed_newlines = passed_separators = inside_at_end = 0
    folded = False
    for at in range(0, len(codes), _PIECE):
        piece = codes[at : at + _PIECE]
        is_newline, is_separator = piece == ord("\n"), piece == ord(separator)
        newlines = here = np.flatnonzero(is_newline)
        if quoted:
            inside = (np.cumsum(piece == ord('"'), dtype=np.int32) + inside_at_end) % 2 == 1
            here = np.flatnonzero(is_newline & ~inside)
            is_separator &= ~inside
            inside_at_end = int(inside[-1])
        separators = np.flatnonzero(is_separator)
        breaks.append(here + at)
        lines.append(passed_newlines + np.searchsorted(newlines, here))
        fields.append(passed_separators + np.searchsorted(separators, here))
        passed_newlines += len(newlines)
        passed_separators += len(separators)
        folded = folded or len(here) < len(newlines)
    nothing = [np.empty(0, dtype=np.int64)]
    return _Scan(
        np.concatenate(breaks or nothing),
        np.concatenate(lines or nothing),
        np.concatenate(fields or nothing),
        passed_separators,
        bool(inside_at_end),
        folded,
    )


def _places(codes: np.ndarray, character: str) -> np.ndarray:
    """Return where a character stands."""
    pieces = [
        np.flatnonzero(codes[at : at + _PIECE] == ord(character)) + at for at in range(0, len(codes), _PIECE)
    ]
    return np.concatenate(pieces) if pieces else np.empty(0, dtype=np.int64)
