"""Settings: defaults of the trade, a file laid over them, and errors that teach."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from fleetstats.errors import SettingsError
from fleetstats.settings import default_settings, load_settings, settings_from, settings_text, settings_toml


def test_defaults_are_the_customary_rule() -> None:
    settings = default_settings()
    ceilings = {name: c.ceiling_days for name, c in settings.components.items()}
    assert ceilings == {
        "sediment_cartridge": 365, "carbon_cartridge": 365, "uv_lamp": 365, "quartz_sleeve": 182,
    }  # fmt: skip
    assert settings.component("uv_lamp").rated_life_days == 365
    assert not settings.component("quartz_sleeve").announced
    # a lamp or a sleeve likelier spent than not is never planned to stay, unless the owner says so
    tolerated = {name: c.failure_chance_limit for name, c in settings.components.items()}
    assert tolerated == {
        "sediment_cartridge": 1, "carbon_cartridge": 1, "uv_lamp": 0.5, "quartz_sleeve": 0.5,
    }  # fmt: skip
    assert settings.component("quartz_sleeve").renewed_by == ("fitted", "replaced", "cleaned")


def test_a_file_is_laid_over_the_defaults_and_its_lines_are_remembered(tmp_path: Path) -> None:
    path = tmp_path / "fleet.toml"
    path.write_text(
        'trip_cost = 99\n[component.uv_lamp]\nplanned_cost = 80\n[component.softener]\nrole = "other"\nannounced = false\n'
    )
    settings = load_settings(path)
    assert settings.trip_cost == 99
    assert settings.component("uv_lamp").planned_cost == 80
    assert settings.component("uv_lamp").rated_life_days == 365
    assert not settings.component("softener").announced
    assert settings.origin == {
        "trip_cost": "fleet.toml", "uv_lamp.planned_cost": "fleet.toml", "softener.role": "fleet.toml",
        "softener.announced": "fleet.toml",
    }  # fmt: skip


def test_the_printed_settings_are_toml_that_reads_back_the_same(tmp_path: Path) -> None:
    raw = {"currency": 'A"\\B', "local_rule_days": 180, "component": {"quartz_sleeve": {"ceiling_days": 120}}}
    settings = settings_from(raw, "x")
    again = settings_from(tomllib.loads(settings_toml(settings)), "y")
    assert again.components == settings.components
    assert (again.currency, again.local_rule_days) == (settings.currency, 180)


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        ({"trip_cots": 3}, ["trip_cots", "trip_cost"]),
        ({"component": {"uv_lamp": {"cieling_days": 3}}}, ["component.uv_lamp.cieling_days", "ceiling_days"]),
        ({"trip_cost": -1}, ["trip_cost", "-1", "0 or more"]),
        ({"trip_cost": "many"}, ["trip_cost", "'many'", "a number"]),
        ({"trip_cost": float("nan")}, ["trip_cost", "nan"]),
        ({"horizon_months": 0}, ["horizon_months", "from 1 to 60"]),
        ({"changes_left_out": ["roof"]}, ["changes_left_out", "roof", "drought"]),
        ({"component": {"uv_lamp": {"end_conditions": ["good"]}}}, ["end_conditions", "good", "failed"]),
        ({"component": {"uv_lamp": {"end_conditions": ["unknown"]}}}, ["end_conditions", "unknown"]),
        ({"component": {"uv_lamp": {"announced": 1}}}, ["announced", "true or false"]),
        ({"component": 3}, ["component", "[component.NAME]"]),
        ({"component": {"uv_lamp": 3}}, ["component.uv_lamp"]),
        ({"shortest_visit_days": 400}, ["shortest_visit_days", "longest_visit_days"]),
        ({"component": {"uv_lamp": {"rated_life_days": 400}}}, ["uv_lamp", "source"]),
        ({"component": {"quartz_sleeve": {"ceiling_days": 183}}}, ["quartz_sleeve", "source"]),
    ],
)  # fmt: skip
def test_what_is_not_accepted_is_named(raw: dict[str, object], words: list[str]) -> None:
    with pytest.raises(SettingsError) as caught:
        settings_from(raw, "fleet.toml")
    for word in [*words, "fleet.toml"]:
        assert word in str(caught.value)


def test_a_sourced_ceiling_may_be_raised() -> None:
    raw = {"component": {"sediment_cartridge": {"ceiling_days": 500, "source": "maker's sheet"}}}
    assert settings_from(raw, "x").component("sediment_cartridge").ceiling_days == 500


def test_a_file_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="not found"):
        load_settings(tmp_path / "none.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("trip_cost = = 3")
    with pytest.raises(SettingsError, match="not valid TOML"):
        load_settings(broken)
    with pytest.raises(SettingsError, match="not defined"):
        default_settings().component("softener")


def test_blocked_months_are_read_for_all_sites_and_for_one() -> None:
    told = settings_from(
        {"blocked_months": [12, 1], "blocked_months_at": {"H-004": [7]}, "crew_stops_per_week": 20,
         "contact": 'Desk, "mornings"'}, origin="f",
    )  # fmt: skip
    assert told.blocked_months == (12, 1)
    assert told.blocked_months_at == {"H-004": (7,)}
    again = settings_from(tomllib.loads(settings_toml(told)), origin="f")
    assert (again.blocked_months, again.blocked_months_at) == ((12, 1), {"H-004": (7,)})
    assert (again.contact, again.crew_stops_per_week) == ('Desk, "mornings"', 20)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("blocked_months", 7),
        ("blocked_months", [0]),
        ("blocked_months", [13]),
        ("blocked_months", [1, 1]),
        ("blocked_months", [True]),
        ("blocked_months", list(range(1, 13))),
        ("blocked_months_at", [1]),
        ("blocked_months_at", {"H-004": 7}),
        ("blocked_months_at", {"H-004": [1, 99]}),
        ("crew_stops_per_week", 0),
        ("contact", 5),
    ],
)
def test_a_calendar_that_cannot_be_kept_is_refused(key: str, value: object) -> None:
    with pytest.raises(SettingsError, match=f"key '{key}'.*accepted is"):
        settings_from({key: value}, origin="f")


def test_readme_lists_every_setting_as_it_is_declared() -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    listed = text.split("<!-- settings:")[1].split("<!-- end of settings -->")[0]
    paragraphs = [" ".join(part.split()) for part in listed.split("\n\n")[1:-1]]
    assert paragraphs == settings_text().split("\n\n")
