"""One frozen `Settings` read from one TOML file, each value knowing where it came from."""

import difflib
import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from fleetstats.components import KINDS, Component, default_component
from fleetstats.errors import SettingsError
from fleetstats.setting_rules import (
    MONTHS,
    MONTHS_BY_SITE,
    MOST_DAYS,
    TEXT,
    Setting,
    accept,
    declared,
    number,
    one_line,
    refusal,
    setting,
    toml,
    whole,
    words,
)

#: What passes by itself; fittings that it touched are flagged, and can be left out of the lives.
PASSING_CHANGES: Final = ("tank_cleaned", "gutters_cleaned", "vacant", "hauled_water", "drought", "ash")


@dataclass(frozen=True, slots=True)
class Settings:
    """Every setting in force; `origin` names where each came from (the file; absent = default).

    Raises
    ------
    SettingsError
        If a value is not accepted.
    """

    currency: str = setting("USD", TEXT, "text", "printed with every sum of money")
    trip_cost: float = setting(120.0, number(0), "money", "a planned visit, before parts")
    callout_cost: float = setting(
        300.0, number(0), "money", "a whole unplanned trip, inconvenience included, before the part"
    )
    local_rule_days: float | None = setting(
        None,
        number(0, MOST_DAYS, above=True),
        "days",
        "longest visit interval an authority allows; absent = none",
    )
    local_rule_source: str = setting("", TEXT, "text", "printed with the local rule")
    shortest_visit_days: float = setting(56.0, number(7), "days", "shortest visit interval considered")
    longest_visit_days: float = setting(364.0, number(7, 1456), "days", "longest visit interval considered")
    horizon_months: int = setting(12, whole(1, 60), "months", "how far ahead stock is forecast")
    sites_added_per_month: float = setting(
        0.0, number(0, 1000), "sites", "how many new ones stock is forecast for, by the month; 0 = none"
    )
    service_level: float = setting(
        0.95, number(0.5, 0.999), "share 0-1",
        "chance of not running short of a part, by which orders are worked out",
    )  # fmt: skip
    beyond_records: float = setting(
        1.25, number(0, 100), "factor", "how far past the ages seen an interval may go; 0 = off"
    )
    notice_days: float = setting(
        30.0,
        number(0, MOST_DAYS),
        "days",
        "how old an announced failure found at a visit may be (sensitivity only)",
    )
    lateness_days: float | None = setting(
        None, number(0, MOST_DAYS), "days",
        "how late visits run; absent = 90th percentile of the records; 0 = never",
    )  # fmt: skip
    crew_stops_per_week: float | None = setting(
        None, number(0, above=True), "stops",
        "the most one crew makes in a week, call-outs aside; absent = no bound",
    )  # fmt: skip
    blocked_months: tuple[int, ...] = setting(
        (), MONTHS, "list", "months 1-12 without planned visits; earlier ones only for a hard limit"
    )
    blocked_months_at: Mapping[str, tuple[int, ...]] = setting(
        MappingProxyType({}), MONTHS_BY_SITE, "table",
        'months of one site in place of those: { "H-004" = [12, 1] }',
    )  # fmt: skip
    contact: str = setting("", TEXT, "text", "whom the customer calls; printed on the customer's sheet")
    changes_left_out: tuple[str, ...] = setting(
        (), words(PASSING_CHANGES), "list",
        "passing changes whose fittings no life counts: " + ", ".join(PASSING_CHANGES),
    )  # fmt: skip
    components: Mapping[str, Component] = field(default_factory=lambda: KINDS)
    origin: Mapping[str, str] = field(default_factory=dict, compare=False)

    def __post_init__(self) -> None:
        accept(self)
        if self.shortest_visit_days > self.longest_visit_days:
            raise refusal(
                "shortest_visit_days",
                self.shortest_visit_days,
                f"at most longest_visit_days ({self.longest_visit_days:g})",
            )

    def component(self, name: str) -> Component:
        """Return the settings of component `name`.

        Raises
        ------
        SettingsError
            If the settings define no such component.
        """
        if name not in self.components:
            raise SettingsError(
                f"component '{name}' is not defined: defined are {', '.join(self.components)}; "
                f"add a [component.{name}] block to the settings file"
            )
        return self.components[name]


def default_settings() -> Settings:
    """Return the settings in force when there is no file."""
    return Settings()


def load_settings(path: Path | None) -> Settings:
    """Return the settings of a TOML file laid over the defaults.

    Parameters
    ----------
    path : Path or None
        The file; None gives the defaults.

    Raises
    ------
    SettingsError
        If the file cannot be read, is no TOML, or holds a key or value that is not accepted; the message
        names the key, what was found, what is accepted and, for an unknown key, the nearest known one.
    """
    if path is None:
        return default_settings()
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError as exc:
        raise SettingsError(
            f"settings file {path}: not found; name an existing TOML file with --settings"
        ) from exc
    except (OSError, UnicodeDecodeError) as exc:
        raise SettingsError(f"settings file {path}: cannot be read ({exc}); save it as UTF-8 text") from exc
    except tomllib.TOMLDecodeError as exc:
        raise SettingsError(f"settings file {path}: is not valid TOML: {exc}; mend that line") from exc
    return settings_from(raw, origin=path.name)


def settings_from(raw: Mapping[str, Any], origin: str) -> Settings:
    """Return the settings that a parsed TOML mapping lays over the defaults.

    Raises
    ------
    SettingsError
        As `load_settings`.
    """
    fleet = {key: value for key, value in raw.items() if key != "component"}
    blocks = raw.get("component", {})
    try:
        if not isinstance(blocks, Mapping):
            raise refusal("component", blocks, "one [component.NAME] block for each component")
        _refuse_unknown(fleet, Settings, "")
        components = {**KINDS, **{name: _component(name, block) for name, block in blocks.items()}}
        keys = [*fleet, *(f"{name}.{key}" for name, block in blocks.items() for key in block)]
        return Settings(
            **fleet,
            components=MappingProxyType(components),
            origin=MappingProxyType(dict.fromkeys(keys, origin)),
        )
    except SettingsError as exc:
        raise SettingsError(f"settings file {origin}: {exc}") from None


def settings_toml(settings: Settings) -> str:
    """Return the settings in force as TOML text: unit, default and origin of each line."""
    lines = ["# fleetstats settings in force. Money defaults are illustrative; put your own."]
    lines += _lines(settings, Settings(), "", settings.origin)
    for name, component in settings.components.items():
        usual = default_component(name, component.role, announced=component.announced)
        lines += ["", f"[component.{name}]", *_lines(component, usual, f"{name}.", settings.origin)]
    return "\n".join(lines) + "\n"


def settings_fingerprint(settings: Settings, *, without: tuple[str, ...] = ()) -> str:
    """Return 16 hex digits that change with the values alone, whatever file they came from.

    Parameters
    ----------
    settings : Settings
    without : tuple of str
        Fleet settings that do not count.
    """
    values = [(name, value) for name, value in _values(settings) if name not in without]
    for name in sorted(settings.components):
        values += [(f"{name}.{key}", value) for key, value in _values(settings.components[name])]
    return hashlib.sha256(repr(values).encode()).hexdigest()[:16]


def _values(holder: Settings | Component) -> Iterator[tuple[str, str]]:
    for name in declared(type(holder)):
        value = getattr(holder, name)
        yield name, "" if value is None else toml(value)


def _lines(
    holder: Settings | Component, usual: Settings | Component, block: str, origin: Mapping[str, str]
) -> Iterator[str]:
    for key, item in declared(type(holder)).items():
        value, default = getattr(holder, key), getattr(usual, key)
        text = f"# {key} = (absent)" if value is None else f"{key} = {toml(value)}"
        came_from = one_line(origin.get(block + key, "default"))
        yield f"{text}  # {_unit_and_meaning(item)}; default {_or_absent(default)}; from {came_from}"


def settings_text() -> str:
    """Return the settings as README lists them: those of the fleet, then those of each component."""
    told = {"Of the fleet": Settings, "Of each component, in a block `[component.NAME]`": Component}
    return "\n\n".join(
        f"**{head}** — "
        + "; ".join(f"`{key}` ({item.unit}): {item.meaning}" for key, item in declared(kind).items())
        + "."
        for head, kind in told.items()
    )


def _unit_and_meaning(item: Setting) -> str:
    return f"{item.unit}: {item.meaning}"


def _or_absent(value: Any) -> str:
    return "absent" if value is None else toml(value)


def _refuse_unknown(block: Mapping[str, Any], kind: type, where: str) -> None:
    known = declared(kind)
    for key in block:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)
            raise SettingsError(
                f"unknown key '{where}{key}'; the nearest known key is '{near[0]}'; "
                "`fleetstats settings` lists all of them"
            )


def _component(name: str, block: object) -> Component:
    if not isinstance(block, Mapping):
        raise refusal(f"component.{name}", block, f"a block [component.{name}] of keys")
    _refuse_unknown(block, Component, f"component.{name}.")
    # read by itself first, so that what is wrong is told in the words of the file
    told = Component(name, **block)
    usual = default_component(name, told.role, announced=told.announced)
    component = replace(usual, **block)
    raised = component.ceiling_days > usual.ceiling_days or (
        usual.rated_life_days is not None
        and component.rated_life_days is not None
        and component.rated_life_days > usual.rated_life_days
    )
    if name in KINDS and raised and not component.sourced:
        rated = f", rated life {usual.rated_life_days:g} days" if usual.rated_life_days else ""
        raise SettingsError(
            f"[component.{name}] raises its ceiling or rated life above the default "
            f"(ceiling {usual.ceiling_days:g} days{rated}); that is accepted only with a `source` text of "
            'letters or digits, which the report prints; add source = "..."'
        )
    return component
