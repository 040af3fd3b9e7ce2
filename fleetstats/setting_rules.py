"""What a key of the settings file accepts, and how its value is written back."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any


@dataclass(frozen=True, slots=True)
class Rule:
    """What one key accepts, in words, and the function that reads its value."""

    accepted: str
    convert: Callable[[Any], Any]  # raises ValueError or TypeError for what is not accepted


def number(low: float, high: float = math.inf, *, above: bool = False) -> Rule:
    """Return the rule of a number from `low` (or above it) to `high`."""

    def convert(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise TypeError
        ok = math.isfinite(value) and (value > low if above else value >= low) and value <= high
        if not ok:
            raise ValueError
        return float(value)

    bound = f"above {low:g}" if above else f"{low:g} or more"
    return Rule(f"a number, {bound}" + (f", at most {high:g}" if high < math.inf else ""), convert)


def text(value: Any) -> str:
    """Return a text as it is."""
    if not isinstance(value, str):
        raise TypeError
    return value


def flag(value: Any) -> bool:
    """Return true or false as it is."""
    if not isinstance(value, bool):
        raise TypeError
    return value


def words(allowed: tuple[str, ...]) -> Rule:
    """Return the rule of a list of words out of `allowed`."""

    def convert(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list) or any(word not in allowed for word in value):
            raise ValueError
        return tuple(value)

    return Rule("a list out of " + ", ".join(allowed), convert)


def month_count(value: Any) -> int:
    """Return a whole number of months from 1 to 60."""
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 60:
        raise ValueError
    return value


def months() -> Rule:
    """Return the rule of a list of months of the year; one at least stays open."""
    return Rule("a list of different months 1 to 12, at most eleven", _months)


def months_by_site() -> Rule:
    """Return the rule of lists of months by site id."""

    def convert(value: Any) -> Mapping[str, tuple[int, ...]]:
        if not isinstance(value, Mapping):
            raise TypeError
        return MappingProxyType({site: _months(listed) for site, listed in value.items()})

    return Rule('site ids with lists of different months 1 to 12, like { "H-004" = [12, 1] }', convert)


def _months(value: Any) -> tuple[int, ...]:
    if not isinstance(value, list) or any(isinstance(m, bool) or not isinstance(m, int) for m in value):
        raise TypeError
    if any(not 1 <= month <= 12 for month in value) or len(set(value)) != len(value) or len(value) > 11:
        raise ValueError
    return tuple(value)


def toml(value: Any) -> str:
    """Return a value as TOML text on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04X}" for c in escaped) + '"'
    if isinstance(value, tuple):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml(key)} = {toml(item)}" for key, item in value.items()) + " }"
    return f"{value:g}"
