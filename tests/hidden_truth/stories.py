"""Stories beside the sample's own: calmer, wilder, seldom visited, hard water, badly written down."""

from fleetstats.sample import Story

STORIES = {
    "mixed": Story(),
    "calm": Story(gutter_spread=0.2, walk_spread=0.08, weather_spread=0.25),
    "very_different": Story(gutter_spread=0.9, scale_spread=0.6, unknown_share=0.12),
    "yearly": Story(visit_interval_days=364, solids=0.75),
    "few_callouts": Story(solids=0.65, cartridge_size=1.5, early_death_share=0.015),
    "hard_water": Story(hardness=1.8),
    "sloppy": Story(
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
