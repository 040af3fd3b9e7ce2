"""The stories a fleet can be invented under: how dirty, how different, how well kept and written down."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from fleetstats.errors import FleetstatsError

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Story:
    """Parameters of one invented fleet; shares are chances, spreads are log standard deviations.

    Attributes
    ----------
    solids, hardness, cartridge_size : float
        Factors on what the roofs shed, on the water's hardness and on what a cartridge holds.
    gutter_spread, scale_spread, lamp_spread : float
        How far homes that look alike differ, and stay different: solids, scale, lamp supply.
    walk_spread, weather_spread : float
        Slow wandering of a home's solids (over a year or two) and the weeks' weather.
    visit_interval_days : int
        The firm's rule.
    lateness_days : float
        Scale of how late its visits come (some come early); 6.7 puts the 90th percentile two weeks late.
    early_death_share : float
        Share of units that are weak from the start.
    """

    name: str
    solids: float = 1.0
    hardness: float = 1.0
    cartridge_size: float = 1.0
    gutter_spread: float = 0.5
    scale_spread: float = 0.3
    lamp_spread: float = 0.06
    walk_spread: float = 0.2
    weather_spread: float = 0.4
    visit_interval_days: int = 182
    lateness_days: float = 6.7
    early_death_share: float = 0.04
    left_good_share: float = 0.10
    skipped_share: float = 0.03
    more_at_callout_share: float = 0.15
    unknown_share: float = 0.06
    unread_share: float = 0.12
    reported_share: float = 0.85
    metered_share: float = 0.8
    joined_share: float = 0.35
    taken_over_share: float = 0.3
    left_share: float = 0.05
    stopped_share: float = 0.03
    age_known_share: float = 0.6
    mishaps_per_year: float = 0.06


_MIXED = Story("mixed")

STORIES: Final[Mapping[str, Story]] = MappingProxyType(
    {
        "mixed": _MIXED,
        "calm": replace(_MIXED, name="calm", gutter_spread=0.2, walk_spread=0.08, weather_spread=0.25),
        "very_different": replace(
            _MIXED, name="very_different", gutter_spread=0.9, scale_spread=0.6, unknown_share=0.12
        ),
        "yearly": replace(_MIXED, name="yearly", visit_interval_days=364, solids=0.75),
        "few_callouts": replace(
            _MIXED, name="few_callouts", solids=0.65, cartridge_size=1.5, early_death_share=0.015
        ),
        "hard_water": replace(_MIXED, name="hard_water", hardness=1.8),
        "sloppy": replace(
            _MIXED,
            name="sloppy",
            lateness_days=12.0,
            left_good_share=0.2,
            skipped_share=0.1,
            unknown_share=0.3,
            unread_share=0.4,
            reported_share=0.4,
            metered_share=0.5,
            age_known_share=0.3,
        ),
    }
)


def story_called(story: str | Story) -> Story:
    """Return the story of that name, or the story itself when one is given.

    Raises
    ------
    FleetstatsError
        If no story has that name.
    """
    if isinstance(story, Story):
        return story
    if story not in STORIES:
        raise FleetstatsError(
            f"story: found '{story}'; accepted are {', '.join(STORIES)}; choose one of these or give a Story"
        )
    return STORIES[story]
