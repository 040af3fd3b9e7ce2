"""One frozen `Settings` read from one TOML file, each value knowing where it came from."""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from fleetstats.errors import SettingsError
from fleetstats.setting_rules import (
    Rule,
    flag,
    month_count,
    months,
    months_by_site,
    number,
    text,
    toml,
    words,
)

CONDITIONS = (
    "good", "loaded", "blocked", "scaled", "failed", "expired", "leaking", "damaged", "unknown",
)  # fmt: skip
CALLOUT_CAUSES = (
    "low_pressure", "uv_alarm", "leak", "taste_odour", "discoloured", "failed_sample", "pump", "tank_empty",
    "other",
)  # fmt: skip
#: What may count as the end of a life: never "good" or "unknown"; "expired" is a planned removal.
END_CONDITIONS = ("loaded", "blocked", "scaled", "failed", "leaking", "damaged")
#: What passes by itself; fittings that it touched are flagged, and can be left out of the lives.
PASSING_CHANGES = ("tank_cleaned", "gutters_cleaned", "vacant", "hauled_water", "drought", "ash")
RENEWING_ACTIONS = ("fitted", "replaced", "cleaned")

#: Where a component wears under the UV unit's duty: only ever shortened by money (advice, limit 4).
LAMP_RATED_DAYS = 365.0
LAMP_RATED_HOURS = 9000.0
#: No part of the UV unit is planned to stay until it is likelier spent than not.
LIKELIER_THAN_NOT = 0.5


@dataclass(frozen=True, slots=True)
class ComponentSettings:
    """What fleetstats knows of one kind of component; money in `Settings.currency`, times in days."""

    name: str
    planned_cost: float = 50.0
    end_conditions: tuple[str, ...] = ("failed",)
    callout_causes: tuple[str, ...] = ()
    renewed_by: tuple[str, ...] = ("fitted", "replaced")
    announced: bool = True
    hidden_day_cost: float = 0.0
    current_interval_days: float | None = None
    customary_days: float = 182.0
    ceiling_days: float = 365.0
    source: str = ""
    rated_life_days: float | None = None
    failure_chance_limit: float = 1.0
    pressure_limit_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """Every setting in force; `origin` names where each came from (default, or the file)."""

    currency: str = "USD"
    trip_cost: float = 120.0
    callout_cost: float = 300.0
    local_rule_days: float | None = None
    local_rule_source: str = ""
    shortest_visit_days: float = 56.0
    longest_visit_days: float = 364.0
    horizon_months: int = 12
    sites_added_per_month: float = 0.0
    service_level: float = 0.95
    beyond_records: float = 1.25
    notice_days: float = 30.0
    lateness_days: float | None = None
    crew_stops_per_week: float | None = None
    blocked_months: tuple[int, ...] = ()
    blocked_months_at: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    contact: str = ""
    changes_left_out: tuple[str, ...] = ()
    components: Mapping[str, ComponentSettings] = field(default_factory=dict)
    origin: Mapping[str, str] = field(default_factory=dict)

    def component(self, name: str) -> ComponentSettings:
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


#: Illustrative money; days are common practice of the trade (cartridges and sleeve six months, lamp twelve).
DEFAULT_COMPONENTS: Mapping[str, ComponentSettings] = MappingProxyType(
    {
        "sediment_cartridge": ComponentSettings(
            "sediment_cartridge",
            planned_cost=45.0,
            end_conditions=("blocked",),
            callout_causes=("low_pressure",),
            pressure_limit_kpa=100.0,
        ),
        "carbon_cartridge": ComponentSettings(
            "carbon_cartridge",
            planned_cost=65.0,
            end_conditions=("blocked",),
            callout_causes=("low_pressure", "taste_odour"),
            pressure_limit_kpa=100.0,
        ),
        "uv_lamp": ComponentSettings(
            "uv_lamp",
            planned_cost=95.0,
            end_conditions=("failed",),
            callout_causes=("uv_alarm",),
            customary_days=365.0,
            ceiling_days=365.0,
            rated_life_days=LAMP_RATED_DAYS,
            failure_chance_limit=LIKELIER_THAN_NOT,
        ),
        "quartz_sleeve": ComponentSettings(
            "quartz_sleeve",
            planned_cost=20.0,
            end_conditions=("scaled",),
            renewed_by=("fitted", "replaced", "cleaned"),
            announced=False,
            hidden_day_cost=1.5,
            ceiling_days=182.0,
            failure_chance_limit=LIKELIER_THAN_NOT,
        ),
    }
)

UNITS: Mapping[str, str] = MappingProxyType(
    {
        "currency": "text: printed with every sum of money",
        "trip_cost": "money: a planned visit, before parts",
        "callout_cost": "money: a whole unplanned trip, inconvenience included, before the part",
        "local_rule_days": "days: longest visit interval an authority allows; absent = none",
        "local_rule_source": "text: printed with the local rule",
        "shortest_visit_days": "days: shortest visit interval considered",
        "longest_visit_days": "days: longest visit interval considered",
        "horizon_months": "months: how far ahead stock is forecast",
        "sites_added_per_month": "sites: how many new ones stock is forecast for, by the month; 0 = none",
        "service_level": "share 0-1: chance of not running short of a part, by which orders are worked out",
        "beyond_records": "factor: how far past the ages seen an interval may go; 0 = off",
        "notice_days": "days: how old an announced failure found at a visit may be (sensitivity only)",
        "lateness_days": "days: how late visits run; absent = 90th percentile of the records; 0 = never",
        "crew_stops_per_week": "stops: the most one crew makes in a week, call-outs aside; absent = no bound",
        "blocked_months": "list of months 1-12 without planned visits; earlier ones only for a hard limit",
        "blocked_months_at": 'months of one site in place of those: { "H-004" = [12, 1] }',
        "contact": "text: whom the customer calls; printed on the customer's sheet",
        "changes_left_out": "list of passing changes whose fittings no life counts: "
        + ", ".join(PASSING_CHANGES),
        "planned_cost": "money: part and labour at a planned visit",
        "end_conditions": "list of findings that mean the life is over: " + ", ".join(END_CONDITIONS),
        "callout_causes": "list of call-out causes that announce the failure: " + ", ".join(CALLOUT_CAUSES),
        "renewed_by": "list of actions that renew it: " + ", ".join(RENEWING_ACTIONS),
        "announced": "true/false: the household notices and calls; false = only looking shows it",
        "hidden_day_cost": "money a day: cost of each day spent unseen (hidden kinds)",
        "current_interval_days": "days: today's rule; absent = inferred from the records",
        "ceiling_days": "days: longest interval in service; raising it needs a source",
        "source": "text: why a ceiling or a rated life may be above its default; printed on the page",
        "rated_life_days": "days: maker's rated life; absent = none",
        "failure_chance_limit": "share 0-1: most chance of being spent before the interval; 1 = no limit",
        "pressure_limit_kpa": "kPa: drop across the housing that counts as end of life; absent = none",
    }
)


def default_settings() -> Settings:
    """Return the settings in force when there is no file."""
    return _with_origin(Settings(components=DEFAULT_COMPONENTS), {}, "")


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
    raw = dict(raw)
    blocks = raw.pop("component", {})
    if not isinstance(blocks, Mapping):
        raise _wrong(origin, "component", blocks, "one [component.NAME] block for each component")
    values = {key: _read(origin, "", key, value, _FLEET_RULES) for key, value in raw.items()}
    components = dict(DEFAULT_COMPONENTS)
    for name, block in blocks.items():
        if not isinstance(block, Mapping):
            raise _wrong(origin, f"component.{name}", block, f"a block [component.{name}] of keys")
        components[name] = _component(origin, name, block)
    settings = replace(Settings(), components=MappingProxyType(components), **values)
    if settings.shortest_visit_days > settings.longest_visit_days:
        raise _wrong(
            origin,
            "shortest_visit_days",
            settings.shortest_visit_days,
            f"at most longest_visit_days ({settings.longest_visit_days:g})",
        )
    return _with_origin(settings, {"": raw, **blocks}, origin)


def settings_toml(settings: Settings) -> str:
    """Return the settings in force as TOML text: unit, default and origin of each line."""
    lines = ["# fleetstats settings in force. Money defaults are illustrative; put your own."]
    defaults = Settings(components=DEFAULT_COMPONENTS)
    lines += [_line(settings, defaults, item.name, "") for item in fields(Settings) if item.name in UNITS]
    for name, component in settings.components.items():
        base = DEFAULT_COMPONENTS.get(name, ComponentSettings(name))
        lines += ["", f"[component.{name}]"]
        lines += [
            _line(component, base, item.name, name, settings.origin)
            for item in fields(ComponentSettings)
            if item.name in UNITS
        ]
    return "\n".join(lines) + "\n"


def _line(holder: Any, defaults: Any, key: str, block: str, origin: Mapping[str, str] | None = None) -> str:
    value, default = getattr(holder, key), getattr(defaults, key)
    where = (origin if origin is not None else holder.origin).get(
        f"{block}.{key}" if block else key, "default"
    )
    text = f"{key} = {toml(value)}" if value is not None else f"# {key} = (absent)"
    told = "absent" if default is None else toml(default)
    return f"{text}  # {UNITS[key]}; default {told}; from {where}"


def _with_origin(settings: Settings, blocks: Mapping[str, Mapping[str, Any]], origin: str) -> Settings:
    found = {
        (f"{block}.{key}" if block else key): origin for block, values in blocks.items() for key in values
    }
    return replace(settings, origin=MappingProxyType(found))


# -- what each key accepts ------------------------------------------------------------------------------


_FLEET_RULES: Mapping[str, Rule] = {
    "currency": Rule("text", text),
    "trip_cost": number(0),
    "callout_cost": number(0),
    "local_rule_days": number(0, above=True),
    "local_rule_source": Rule("text", text),
    "shortest_visit_days": number(7),
    "longest_visit_days": number(7, 1456),
    "horizon_months": Rule("a whole number from 1 to 60", month_count),
    "sites_added_per_month": number(0, 1000),
    "service_level": number(0.5, 0.999),
    "beyond_records": number(0),
    "notice_days": number(0),
    "lateness_days": number(0),
    "crew_stops_per_week": number(0, above=True),
    "blocked_months": months(),
    "blocked_months_at": months_by_site(),
    "contact": Rule("text", text),
    "changes_left_out": words(PASSING_CHANGES),
}
_COMPONENT_RULES: Mapping[str, Rule] = {
    "planned_cost": number(0, above=True),
    "end_conditions": words(END_CONDITIONS),
    "callout_causes": words(CALLOUT_CAUSES),
    "renewed_by": words(RENEWING_ACTIONS),
    "announced": Rule("true or false", flag),
    "hidden_day_cost": number(0),
    "current_interval_days": number(0, above=True),
    "ceiling_days": number(0, above=True),
    "source": Rule("text", text),
    "rated_life_days": number(0, above=True),
    "failure_chance_limit": number(0, 1, above=True),
    "pressure_limit_kpa": number(0, above=True),
}


def _read(origin: str, block: str, key: str, value: Any, rules: Mapping[str, Rule]) -> Any:
    where = f"{block}.{key}" if block else key
    if key not in rules:
        near = difflib.get_close_matches(key, rules, n=1, cutoff=0.0)
        raise SettingsError(
            f"settings file {origin}: unknown key '{where}'; the nearest known key is '{near[0]}'; "
            "`fleetstats settings` lists all of them"
        )
    try:
        return rules[key].convert(value)
    except (TypeError, ValueError):
        raise _wrong(origin, where, value, rules[key].accepted) from None


def _wrong(origin: str, key: str, value: Any, accepted: str) -> SettingsError:
    return SettingsError(
        f"settings file {origin}: key '{key}': found {value!r}; accepted is {accepted}; change that line"
    )


def _component(origin: str, name: str, block: Mapping[str, Any]) -> ComponentSettings:
    base = DEFAULT_COMPONENTS.get(name, ComponentSettings(name))
    values = {
        key: _read(origin, f"component.{name}", key, value, _COMPONENT_RULES) for key, value in block.items()
    }
    component = replace(base, **values)
    _refuse_unsourced_raise(origin, name, base, component)
    return component


def _refuse_unsourced_raise(
    origin: str, name: str, base: ComponentSettings, given: ComponentSettings
) -> None:
    raised = given.ceiling_days > base.ceiling_days or (
        base.rated_life_days is not None and (given.rated_life_days or math.inf) > base.rated_life_days
    )
    if name in DEFAULT_COMPONENTS and raised and not given.source.strip():
        raise SettingsError(
            f"settings file {origin}: [component.{name}] raises its ceiling or rated life above the default "
            f"(ceiling {base.ceiling_days:g} days"
            + (f", rated life {base.rated_life_days:g} days" if base.rated_life_days else "")
            + '); that is accepted only with a `source` text, which the report prints; add source = "..."'
        )
