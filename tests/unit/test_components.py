"""Kinds of part by their role: whatever a part is called, its role says what bounds it."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from fleetstats.components import (
    CARTRIDGE,
    KINDS,
    LAMP,
    OTHER,
    ROLES,
    SLEEVE,
    Component,
    default_component,
    label_of,
    noun_of,
    plural_of,
)
from fleetstats.errors import SettingsError
from fleetstats.settings import Settings, settings_fingerprint, settings_from, settings_toml

#: Names that look like a known kind, and names that look like another role than they have.
NAMES = (
    "uv_bulb",
    "bulb",
    "UV_lamp",
    "uv_lamps",
    "uv_lamp_2",
    "quartz_sleeve_2",
    "sediment_cartridge_big",
    "x9",
)


def of(name: str, **block: object) -> Component:
    return settings_from({"component": {name: block}}, "fleet.toml").component(name)


@pytest.mark.parametrize("name", NAMES)
def test_a_name_that_is_not_known_needs_a_role(name: str) -> None:
    with pytest.raises(SettingsError) as caught:
        of(name, ceiling_days=800)
    for word in (
        "fleet.toml",
        f"'{name}'",
        "no role",
        "cartridge, lamp, sleeve, other",
        f"[component.{name}]",
    ):
        assert word in str(caught.value)
    with pytest.raises(SettingsError, match="role': found 'bulb'; accepted is one of cartridge, lamp"):
        of(name, role="bulb")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("like", KINDS)
def test_the_role_gives_the_defaults_and_the_limits_whatever_the_name(name: str, like: str) -> None:
    kind = KINDS[like]
    if like == "carbon_cartridge":
        pytest.skip("the role's defaults are those of its first kind")
    found = of(name, role=kind.role.name)
    for key in (
        "planned_cost", "end_conditions", "callout_causes", "renewed_by", "announced", "ceiling_days",
        "rated_life_days", "failure_chance_limit", "pressure_limit_kpa", "customary_days", "ceiling",
        "of_uv_unit", "lamp",
    ):  # fmt: skip
        assert getattr(found, key) == getattr(kind, key), key
    assert found.rated_life(900) == kind.rated_life(900)


@pytest.mark.parametrize("name", NAMES)
def test_no_role_is_talked_down(name: str) -> None:
    lamp = of(name, role="lamp", ceiling_days=800, rated_life_days=900, source="\u200b \u3164...")
    assert (lamp.ceiling, lamp.rated_life(None), lamp.rated_life(900)) == (365, 365, 365)
    assert of(name, role="sleeve", ceiling_days=800, announced=True).ceiling == 182
    unseen = of(name, role="other", ceiling_days=800, announced=False)
    assert (unseen.ceiling, unseen.failure_chance_limit, unseen.of_uv_unit) == (182, 0.5, True)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize(
    ("key", "word", "where"),
    [
        ("callout_causes", "uv_alarm", {"lamp", "sleeve"}),
        ("end_conditions", "scaled", {"lamp", "sleeve"}),
        ("renewed_by", "cleaned", {"sleeve", "other"}),
        ("callout_causes", "leak", set(ROLES)),
        ("end_conditions", "blocked", set(ROLES)),
    ],
)
def test_what_ends_announces_and_renews_a_part_belongs_to_its_role(
    role: str, key: str, word: str, where: set[str]
) -> None:
    if role in where:
        assert word in getattr(of("thing", role=role, **{key: [word]}), key)
        return
    with pytest.raises(SettingsError, match=rf"thing\.{key}': found \['{word}'\].*role '{role}'"):
        of("thing", role=role, **{key: [word]})


@pytest.mark.parametrize("name", KINDS)
def test_a_known_kind_has_its_own_role_and_no_other(name: str) -> None:
    own = KINDS[name].role
    assert of(name, role=own.name).role is own
    for role in set(ROLES) - {own.name}:
        with pytest.raises(SettingsError, match=f"'{own}', which it is by its name"):
            of(name, role=role)


@pytest.mark.parametrize(
    "name", ["", "uv lamp", "läufer", "a.b", "a-b", "<b>", "9_9", "uv_lamp\u200b", "лампа"]
)
def test_names_are_letters_digits_and_underscore(name: str) -> None:
    with pytest.raises(SettingsError, match="accepted are letters, digits and underscore"):
        of(name, role="other")


@pytest.mark.parametrize(
    ("name", "label", "several", "noun"),
    [
        ("uv_lamp", "UV lamp", "UV lamps", "lamp"),
        ("uv_lamp_2", "UV lamp 2", "UV lamp 2 units", "UV lamp 2"),
        ("quartz_sleeve_2", "quartz sleeve 2", "quartz sleeve 2 units", "quartz sleeve 2"),
        ("carbon_cartridge", "carbon cartridge", "carbon cartridges", "cartridge"),
        ("uv_ballast_box", "UV ballast box", "UV ballast box units", "UV ballast box"),
        ("battery", "battery", "batteries", "battery"),
        ("juvenile", "juvenile", "juveniles", "juvenile"),
    ],
)
def test_names_as_a_reader_sees_them(name: str, label: str, several: str, noun: str) -> None:
    assert (label_of(name), plural_of(name), noun_of(name)) == (label, several, noun)


@examples(deadline=None)
@given(
    name=st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,12}", fullmatch=True).filter(lambda name: name not in KINDS),
    role=st.sampled_from(list(ROLES)),
    announced=st.booleans(),
    trip=st.floats(0, 1e7),
    words=st.text(st.characters(exclude_categories=["Cs"])),
    days=st.floats(1e-9, 36_525),
)
def test_every_accepted_value_is_written_so_that_it_reads_back_the_same(
    name: str, role: str, announced: bool, trip: float, words: str, days: float
) -> None:
    block = {"role": role, "announced": announced, "planned_cost": days, "source": words}
    raw = {
        "trip_cost": trip, "contact": words, "currency": words, "blocked_months_at": {words: [1, 12]},
        "component": {name: block},
    }  # fmt: skip
    settings = settings_from(raw, words + "\n.toml")
    again = settings_from(tomllib.loads(settings_toml(settings)), "again")
    assert again == settings
    assert settings_fingerprint(again) == settings_fingerprint(settings)
    assert settings_fingerprint(settings) != settings_fingerprint(Settings())


def test_money_is_written_to_the_last_digit() -> None:
    text = settings_toml(settings_from({"trip_cost": 1234567.89, "callout_cost": 1e7}, "f"))
    assert "trip_cost = 1234567.89 " in text
    assert "callout_cost = 10000000 " in text


@pytest.mark.parametrize(
    "source", ["", " ", "\u200b", "\u2060\ufeff", "\u3164", "\u2800", "\ufe0f", "\u00ad", "..."]
)
def test_a_source_is_something_a_reader_can_see(source: str) -> None:
    with pytest.raises(SettingsError, match="letters or digits"):
        of("quartz_sleeve", ceiling_days=300, source=source)
    assert not Component("x", OTHER, source=source).sourced
    assert of("quartz_sleeve", ceiling_days=300, source="研究").sourced


def test_a_component_told_nothing_is_the_kind_of_its_name_else_of_its_role() -> None:
    assert default_component("uv_lamp", LAMP) == KINDS["uv_lamp"]
    assert default_component("bulb", LAMP).callout_causes == ("uv_alarm",)
    assert default_component("glass", SLEEVE).cleaned
    assert default_component("filter", CARTRIDGE).pressure_limit_kpa == 100
    assert default_component("valve", OTHER, announced=False).failure_chance_limit == 0.5
