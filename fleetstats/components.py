"""Each kind of part once: its role, its names, what ends, announces, renews and bounds it, and its words."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final

from fleetstats.errors import SettingsError
from fleetstats.setting_rules import (
    FLAG,
    MOST_DAYS,
    TEXT,
    Rule,
    accept,
    has_words,
    number,
    refusal,
    setting,
    words,
)

CONDITIONS: Final = (
    "good", "loaded", "blocked", "scaled", "failed", "expired", "leaking", "damaged", "unknown",
)  # fmt: skip
CALLOUT_CAUSES: Final = (
    "low_pressure", "uv_alarm", "leak", "taste_odour", "discoloured", "failed_sample", "pump", "tank_empty",
    "other",
)  # fmt: skip
#: What may count as the end of a life: never "good" or "unknown"; "expired" is a planned removal.
END_CONDITIONS: Final = ("loaded", "blocked", "scaled", "failed", "leaking", "damaged")
RENEWING_ACTIONS: Final = ("fitted", "replaced", "cleaned")
_BY_A_PART: Final = ("fitted", "replaced")

#: What only a part of the UV unit ends by, and is announced by.
_OF_UV: Final = ("scaled", "uv_alarm")
#: A lamp's rated life where nothing gives one: 9,000 h lit, less a margin (common practice).
LAMP_RATED_DAYS: Final = 365.0
#: No part of the UV unit is planned to stay until it is likelier spent than not.
LIKELIER_THAN_NOT: Final = 0.5
_WATER: Final = (
    "log_daily_litres", "tank_material", "roof_material", "tree_cover", "first_flush", "part_number",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Role:
    """What a part is there for; all that is bound to it, whatever the part is called.

    Attributes
    ----------
    name : str
    spent, renewed : str
        Words for the end of its life, and for what a visit does to begin the next.
    look, likely_spent : str
        What to do at a visit that leaves it in; the same where it is as likely spent as not.
    remedy : str
        What helps where it hardly lasts.
    of_uv_unit : bool
        Its failing means days of doubtful water, so that money may only shorten its interval.
    renewals, facts : tuple of str
        Actions that may renew it; facts of its water and part that may matter for its life.
    sites_differ : float
        How much sites differ in log life before anything is seen (prior median of tau).
    """

    name: str
    spent: str = "spent"
    renewed: str = "renewed"
    look: str = "look at it"
    likely_spent: str = "look at it first, and change it if it is"
    remedy: str = "Renew sooner, and look for what wears it out, with a licensed practitioner's advice."
    of_uv_unit: bool = False
    renewals: tuple[str, ...] = _BY_A_PART
    facts: tuple[str, ...] = _WATER
    sites_differ: float = 0.4

    def __str__(self) -> str:
        """Return its name, as the settings have it."""
        return self.name

    def accepted(self, known: tuple[str, ...]) -> tuple[str, ...]:
        """Return those of the findings or causes `known` that a part of this role may end or be told by."""
        return tuple(word for word in known if self.of_uv_unit or word not in _OF_UV)


CARTRIDGE: Final = Role("cartridge", likely_spent="look at it first, and change it if the flow is weak")
LAMP: Final = Role(
    "lamp",
    spent="dead",
    look="check its alarm and its hours",  # nobody is to look at a lit lamp
    likely_spent="check its alarm and its hours, carry one",
    remedy="Renew sooner, and look at the power supply, the ballast and how often the lamp is switched, by "
    "the maker's instructions and a licensed practitioner's advice.",
    of_uv_unit=True,
    facts=("part_number",),
    sites_differ=0.15,  # lamps of one kind age alike
)
SLEEVE: Final = Role(
    "sleeve",
    spent="scaled",
    renewed="cleaned",
    likely_spent="look at it, and clean it if it is",
    remedy="Clean sooner, and look at the scale: measure the hardness of the water there, and ask a licensed "
    "practitioner whether softening or another treatment ahead of the UV unit would help.",
    of_uv_unit=True,
    renewals=RENEWING_ACTIONS,
    facts=("log_hardness", "tank_and_age"),
)
OTHER: Final = Role("other", renewals=RENEWING_ACTIONS)
ROLES: Final[Mapping[str, Role]] = MappingProxyType(
    {role.name: role for role in (CARTRIDGE, LAMP, SLEEVE, OTHER)}
)
_KNOWN: Final[dict[str, Component]] = {}
#: The kinds known by name. Illustrative money; days are common practice of the trade (cartridges and sleeve
#: six months, lamp twelve).
KINDS: Final[Mapping[str, Component]] = MappingProxyType(_KNOWN)
_NAME: Final = re.compile(r"[A-Za-z0-9_]*[A-Za-z][A-Za-z0-9_]*")
_UV: Final = re.compile(r"\buv\b", re.IGNORECASE)


def label_of(name: str) -> str:
    """Return a component's name as it stands within a sentence: "UV lamp 2", "sediment cartridge"."""
    return _UV.sub("UV", name.replace("_", " ")).strip()


def plural_of(name: str) -> str:
    """Return the name for several: "UV lamps", "UV lamp 2 units"."""
    label = label_of(name)
    if not label[-1:].isalpha() or label.endswith(("s", "x", "h")):
        return f"{label} units"
    return f"{label[:-1]}ies" if label.endswith("y") and label[-2:-1] not in "aeiou" else f"{label}s"


def noun_of(name: str) -> str:
    """Return what one is called where it needs no further telling: a known kind by its role's word."""
    return KINDS[name].role.name if name in KINDS else label_of(name)


def role_of(components: Mapping[str, Component], name: str) -> Role:
    """Return the role of a component; "other" for one that the settings do not define."""
    known = components.get(name) or KINDS.get(name)
    return known.role if known else OTHER


def _role(value: Any) -> Role:
    if value not in ROLES and not isinstance(value, Role):
        raise ValueError
    return ROLES[str(value)]


@dataclass(frozen=True, slots=True)
class Component:
    """One kind of part as a firm keeps it; money in the settings' currency, times in days.

    Attributes
    ----------
    name : str
    role : Role
        Known of the kinds in `KINDS`; any other name must be told what it is.
    customary_days : float
        The trade's usual interval; no setting, for it belongs to the role.

    Raises
    ------
    SettingsError
        If a value is not accepted, the name is none, or the role forbids what is told of it.
    """

    name: str
    role: Role = setting(
        None, Rule("one of " + ", ".join(ROLES), _role), "role",
        "what the part is there for; required for a name that is not known",
    )  # fmt: skip
    planned_cost: float = setting(50.0, number(0, above=True), "money", "part and labour at a planned visit")
    end_conditions: tuple[str, ...] = setting(
        ("failed",), words(END_CONDITIONS), "list",
        "findings that mean the life is over: " + ", ".join(END_CONDITIONS),
    )  # fmt: skip
    callout_causes: tuple[str, ...] = setting(
        (), words(CALLOUT_CAUSES), "list",
        "call-out causes that announce the failure: " + ", ".join(CALLOUT_CAUSES),
    )  # fmt: skip
    renewed_by: tuple[str, ...] = setting(
        _BY_A_PART, words(RENEWING_ACTIONS), "list", "actions that renew it: " + ", ".join(RENEWING_ACTIONS)
    )
    announced: bool = setting(
        True, FLAG, "true/false", "the household notices and calls; false = only looking shows it"
    )
    hidden_day_cost: float = setting(
        0.0, number(0), "money a day", "cost of each day spent unseen (hidden kinds)"
    )
    current_interval_days: float | None = setting(
        None, number(0, MOST_DAYS, above=True), "days", "today's rule; absent = inferred from the records"
    )
    ceiling_days: float = setting(
        365.0,
        number(0, MOST_DAYS, above=True),
        "days",
        "longest interval in service; raising it needs a source",
    )
    source: str = setting(
        "", TEXT, "text",
        "why a ceiling or a rated life may be above its default; printed on the page",
    )  # fmt: skip
    rated_life_days: float | None = setting(
        None, number(0, MOST_DAYS, above=True), "days", "maker's rated life; absent = none"
    )
    failure_chance_limit: float = setting(
        1.0, number(0, 1, above=True), "share 0-1",
        "most chance of being spent before the interval; 1 = no limit",
    )  # fmt: skip
    pressure_limit_kpa: float | None = setting(
        None, number(0, above=True), "kPa",
        "drop across the housing that counts as end of life; absent = none",
    )  # fmt: skip
    customary_days: float = 182.0

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise SettingsError(
                f"component name {self.name!r}: accepted are letters, digits and underscore, with one "
                "letter at least; rename it in the settings and in the records"
            )
        block = f"component.{self.name}."
        known = KINDS[self.name].role if self.name in KINDS else None
        if self.role is None and known is None:
            raise SettingsError(
                f"component '{self.name}': is none of the kinds that are known ({', '.join(KINDS)}) and has "
                f'no role; accepted are {", ".join(ROLES)}; add role = "..." to [component.{self.name}]'
            )
        if self.role is None:
            object.__setattr__(self, "role", known)
        accept(self, block)
        if known is not None and self.role is not known:
            raise refusal(f"{block}role", self.role.name, f"'{known}', which it is by its name")
        for key, accepted in (
            ("end_conditions", self.role.accepted(END_CONDITIONS)),
            ("callout_causes", self.role.accepted(CALLOUT_CAUSES)),
            ("renewed_by", self.role.renewals),
        ):
            if not set(getattr(self, key)) <= set(accepted):
                told = f"for the role '{self.role}' a list out of {', '.join(accepted)}"
                raise refusal(f"{block}{key}", list(getattr(self, key)), told)
        if not (math.isfinite(self.customary_days) and self.customary_days > 0):
            raise refusal(f"{block}customary_days", self.customary_days, "a number above 0")

    @property
    def sourced(self) -> bool:
        """Whether somebody wrote down why ceiling or rated life may lie above the usual."""
        return has_words(self.source)

    @property
    def cleaned(self) -> bool:
        """Whether cleaning begins its next life, so that none need be carried."""
        return "cleaned" in self.renewed_by

    @property
    def lamp(self) -> bool:
        """Whether it is a UV unit's lamp, which always has a rated life."""
        return self.role is LAMP

    @property
    def of_uv_unit(self) -> bool:
        """Whether money may only shorten its interval: of the UV unit, or a kind that fails unseen."""
        return self.role.of_uv_unit or not self.announced

    @property
    def ceiling(self) -> float:
        """Longest interval in service, days: for the UV unit the customary one unless a source raises it."""
        if self.of_uv_unit and not self.sourced:
            return min(self.customary_days, self.ceiling_days)
        return self.ceiling_days

    def rated_life(self, part_days: float | None) -> float:
        """Return the rated life that binds, days; inf where the kind has none.

        A lamp is held to 365 days unless both its part and a setting with a source say more.

        Parameters
        ----------
        part_days : float or None
            The part's rated life from the parts table.
        """
        given = [days for days in (self.rated_life_days, part_days) if days is not None and days < math.inf]
        raised = len(given) == 2 and self.sourced
        if self.lamp and not raised:
            given.append(LAMP_RATED_DAYS)
        return min(given, default=math.inf)


_KNOWN.update(
    (kind.name, kind)
    for kind in (
        Component(
            "sediment_cartridge", CARTRIDGE, planned_cost=45.0, end_conditions=("blocked",),
            callout_causes=("low_pressure",), pressure_limit_kpa=100.0,
        ),
        Component(
            "carbon_cartridge", CARTRIDGE, planned_cost=65.0, end_conditions=("blocked",),
            callout_causes=("low_pressure", "taste_odour"), pressure_limit_kpa=100.0,
        ),
        Component(
            "uv_lamp", LAMP, planned_cost=95.0, callout_causes=("uv_alarm",), customary_days=365.0,
            rated_life_days=LAMP_RATED_DAYS, failure_chance_limit=LIKELIER_THAN_NOT,
        ),
        Component(
            "quartz_sleeve", SLEEVE, planned_cost=20.0, end_conditions=("scaled",),
            renewed_by=RENEWING_ACTIONS, announced=False, hidden_day_cost=1.5, ceiling_days=182.0,
            failure_chance_limit=LIKELIER_THAN_NOT,
        ),
    )
)  # fmt: skip


def default_component(name: str, role: Role, *, announced: bool = True) -> Component:
    """Return what is taken for a component of which the settings say no more than its name and role.

    A known kind is itself; another name is treated as the first known kind of its role, and one that fails
    unseen is not left until it is likelier spent than not.
    """
    if name in KINDS:
        kind = KINDS[name]
    else:
        alike = (kind for kind in KINDS.values() if kind.role is role)
        kind = replace(next(alike, Component(name, role)), name=name)
    limit = kind.failure_chance_limit if announced else min(kind.failure_chance_limit, LIKELIER_THAN_NOT)
    return replace(kind, failure_chance_limit=limit)
