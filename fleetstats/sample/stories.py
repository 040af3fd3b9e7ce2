"""The story a fleet is invented under: how dirty, how different, how well kept and written down."""

from dataclasses import dataclass


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
