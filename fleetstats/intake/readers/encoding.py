"""Finds out how a text file is encoded and hands it on as UTF-8 with plain line ends."""

import codecs
import re
from dataclasses import dataclass

from fleetstats.errors import IntakeError

_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_LOOKED_AT = 4000
_LONE_CR = re.compile(rb"\r(?!\n)")
#: What the first bytes of files that are no text look like, and what to do with such a file.
_NO_TEXT = (
    (b"PK\x03\x04", "a workbook or another packed file", "name it .xlsx, or save it as CSV"),
    (b"PAR1", "a Parquet file", "name it .parquet"),
    (b"\xd0\xcf\x11\xe0", "an old workbook", "save it as .xlsx or CSV"),
    (b"%PDF", "a PDF", "export the table behind it as CSV"),
)


@dataclass(frozen=True, slots=True)
class DecodedText:
    """The body of a text file as UTF-8 without a byte-order mark, and what was found out about it."""

    body: bytes
    encoding: str
    line_ends: str
    notes: tuple[str, ...] = ()


def decode(data: bytes, file: str) -> DecodedText:
    """Return the text of a file as UTF-8: from UTF-8 with or without mark, UTF-16, else Windows-1252.

    Raises
    ------
    IntakeError
        If the bytes are those of another kind of file, or hold NULs.
    """
    for start, kind, remedy in _NO_TEXT:
        if data.startswith(start):
            raise IntakeError(f"{file}: is no text but {kind}; accepted is text in rows; {remedy}")
    body, encoding, notes = _as_utf8(data)
    at = body.find(b"\0")
    if at >= 0:
        line = body.count(b"\n", 0, at) + 1
        raise IntakeError(
            f"{file}: line {line} holds a NUL byte, which no text does; the file may be damaged or of "
            "another kind; save it again as CSV (UTF-8)"
        )
    if b"\r" not in body:
        return DecodedText(body, encoding, "LF", notes)
    if body.count(b"\r") == body.count(b"\r\n"):
        return DecodedText(body, encoding, "CRLF", notes)
    ends = "CR" if b"\n" not in body else "line ends of several kinds"  # two files put together
    return DecodedText(_LONE_CR.sub(b"\n", body), encoding, ends, notes)


def _as_utf8(data: bytes) -> tuple[bytes, str, tuple[str, ...]]:
    for mark, name in _BOMS:
        if data.startswith(mark):
            shown = "UTF-8 with mark" if name == "utf-8" else "UTF-16"
            return _decoded(data[len(mark) :], name, shown)
    guessed = _utf16_without_mark(data)
    if guessed is not None:
        return _decoded(data, guessed, "UTF-16 without mark")
    return _decoded(data, "utf-8", "UTF-8")


def _decoded(data: bytes, name: str, shown: str) -> tuple[bytes, str, tuple[str, ...]]:
    if name == "utf-8" and data.isascii():
        return data, shown, ()
    try:
        text = data.decode(name)
    except UnicodeDecodeError as exc:
        if exc.reason in {"unexpected end of data", "truncated data"} and exc.start > 0:
            kept = data[: exc.start].decode(name)
            return kept.encode(), shown, ("ends in the middle of a character: the file may be cut off",)
        if name != "utf-8":
            return data.decode(name, errors="replace").encode(), shown, ("some characters could not be read",)
        text = data.decode("cp1252", errors="replace")
        return text.encode(), "Windows-1252", ("not UTF-8: read as Windows-1252; check names with accents",)
    return (data if name == "utf-8" else text.encode(errors="replace")), shown, ()


def _utf16_without_mark(data: bytes) -> str | None:
    """Return the byte order of UTF-16 text without a mark, None if it is none: every second byte is NUL."""
    sample = data[:_LOOKED_AT]
    even, odd = sample[0::2], sample[1::2]
    if len(sample) < 4 or not (0 in even or 0 in odd):
        return None
    if odd.count(0) > 0.8 * len(odd) and not even.count(0):
        return "utf-16-le"
    if even.count(0) > 0.8 * len(even) and not odd.count(0):
        return "utf-16-be"
    return None
