"""Harmless, collision-proof file names made from ids."""

import hashlib
import re

_OUTSIDE = re.compile(r"[^a-z0-9]+")


def file_stem(identity: str) -> str:
    """Return a file name for an id: a readable stem, a dash, ten hex digits of the id's SHA-256."""
    stem = _OUTSIDE.sub("-", identity.lower()).strip("-")[:40].strip("-")
    digest = hashlib.sha256(identity.encode("utf-8")).hexdigest()[:10]
    return f"{stem}-{digest}" if stem else digest
