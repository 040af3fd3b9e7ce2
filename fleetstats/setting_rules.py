"""What one setting is: its default, unit, meaning and what it accepts; and how its value is written back."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType
from typing import Any

from fleetstats.errors import SettingsError


@dataclass(frozen=True, slots=True)
class Rule:
    """What one key accepts, in words, and the function that reads its value."""

    accepted: str
    convert: Callable[[Any], Any]  # raises ValueError, TypeError or OverflowError for what is not accepted


@dataclass(frozen=True, slots=True)
class Setting:
    """The declaration of one setting; its name and default are those of the field that it describes."""

    rule: Rule
    unit: str
    meaning: str
    default: Any


def setting(default: Any, rule: Rule, unit: str, meaning: str) -> Any:
    """Return the dataclass field of one setting."""
    told = {"setting": Setting(rule, unit, meaning, default)}
    if isinstance(default, Mapping):
        return field(default_factory=lambda: default, metadata=told)
    return field(default=default, metadata=told)


def declared(kind: type) -> Mapping[str, Setting]:
    """Return the settings that a dataclass declares, by name and in order."""
    return MappingProxyType(
        {item.name: item.metadata["setting"] for item in fields(kind) if "setting" in item.metadata}
    )


def accept(holder: Any, block: str = "") -> None:
    """Bring every declared setting of a frozen `holder` to its type, or refuse the first that does not fit.

    Raises
    ------
    SettingsError
        Naming the key (after `block`), what was found and what is accepted.
    """
    for name, item in declared(type(holder)).items():
        value = getattr(holder, name)
        if value is None and item.default is None:
            continue
        try:
            object.__setattr__(holder, name, item.rule.convert(value))
        except (TypeError, ValueError, OverflowError):
            raise refusal(f"{block}{name}", value, item.rule.accepted) from None


def refusal(key: str, value: object, accepted: str) -> SettingsError:
    """Return the error of a key whose value is not accepted."""
    return SettingsError(f"key '{key}': found {value!r}; accepted is {accepted}; change that line")


#: Days and other numbers beyond which a setting is a slip of the pen.
MOST_DAYS, MOST = 36_525.0, 1e7


def number(low: float, high: float = MOST, *, above: bool = False) -> Rule:
    """Return the rule of a number from `low` (or above it) to `high`."""

    def convert(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise TypeError
        found = float(value)
        if not (math.isfinite(found) and (found > low if above else found >= low) and found <= high):
            raise ValueError
        return found

    bound = f"above {low:g}" if above else f"{low:g} or more"
    return Rule(f"a number, {bound}, at most {high:.10g}", convert)


def whole(low: int, high: int) -> Rule:
    """Return the rule of a whole number from `low` to `high`."""

    def convert(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError
        return value

    return Rule(f"a whole number from {low} to {high}", convert)


def _instance(kind: type) -> Callable[[Any], Any]:
    def convert(value: Any) -> Any:
        if not isinstance(value, kind):
            raise TypeError
        return value

    return convert


TEXT = Rule("text", _instance(str))
FLAG = Rule("true or false", _instance(bool))


def words(allowed: tuple[str, ...]) -> Rule:
    """Return the rule of a list of words out of `allowed`."""

    def convert(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list | tuple) or any(word not in allowed for word in value):
            raise ValueError
        return tuple(value)

    return Rule("a list out of " + ", ".join(allowed), convert)


def _months(value: Any) -> tuple[int, ...]:
    found = tuple(map(whole(1, 12).convert, _instance(list | tuple)(value)))  # type: ignore[arg-type]
    if len(set(found)) != len(found) or len(found) > 11:
        raise ValueError
    return found


def _months_by_site(value: Any) -> Mapping[str, tuple[int, ...]]:
    if not isinstance(value, Mapping):
        raise TypeError
    return MappingProxyType({site: _months(listed) for site, listed in value.items()})


#: Months of the year; one at least stays open.
MONTHS = Rule("a list of different months 1 to 12, at most eleven", _months)
MONTHS_BY_SITE = Rule(
    'site ids with lists of different months 1 to 12, like { "H-004" = [12, 1] }', _months_by_site
)


def toml(value: Any) -> str:
    """Return a value as TOML text on one line that reads back as the same value."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml(key)} = {toml(item)}" for key, item in value.items()) + " }"
    if isinstance(value, int | float):
        exact = float(value)
        return str(int(exact)) if exact.is_integer() and abs(exact) < 1e15 else repr(exact)
    escaped = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in escaped) + '"'


def one_line(text: str) -> str:
    """Return `text` fit for a comment on one line: whatever cannot be printed becomes a question mark."""
    return "".join(c if c.isprintable() else "?" for c in text)


def has_words(text: str) -> bool:
    """Return whether `text` shows at least one letter or digit; characters drawn as nothing show none."""
    return any(c.isalnum() and c not in _FILLERS for c in text)


#: Letters by their category, drawn as nothing.
_FILLERS = "\u115f\u1160\u3164\uffa0"
