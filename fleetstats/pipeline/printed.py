"""What the command line prints: a summary, the replay in words, tables."""

from typing import Final

import polars as pl

from fleetstats.advice.evidence import too_few_for_costs
from fleetstats.store import Relations

_TOO_SHORT: Final = (
    "These records cannot yet say: looking back takes a year of records before the first forecast and half a "
    "year after it."
)

_TOO_FEW: Final = (
    "These records are too few for figures of cost: today's rule is kept but where a limit is shorter. "
    "The table evidence_levels says which records would settle more."
)


def summary(relations: Relations, plans: pl.DataFrame, levels: pl.DataFrame, currency: str) -> str:
    """Return in a few lines what an analysis found."""
    ended = int(relations.spells["upper_days"].is_finite().sum())
    head = (
        f"As of {relations.as_of}: {plans.height} served sites, {relations.visits.height} visits, "
        f"{relations.spells.height} spells used of which {ended} ended, "
        f"and {relations.left_out.height} more left out."
    )
    if not plans.height:
        return head
    if too_few_for_costs(levels):
        return f"{head}\n{_TOO_FEW}"
    mean = plans.select(pl.col("cost_per_year", "callouts_per_year").mean()).row(0)
    today = plans.select(pl.col("cost_per_year_current", "callouts_per_year_current").mean()).row(0)
    return (
        f"{head}\nExpected for a site in a year: {mean[0]:,.0f} {currency} and {mean[1]:.1f} call-outs under "
        f"the plan, {today[0]:,.0f} {currency} and {today[1]:.1f} call-outs under today's rule."
    )


def replay_words(scores: pl.DataFrame) -> str:
    """Return, for each component and horizon, what was foretold at past dates and what followed."""
    if scores.is_empty():
        return _TOO_SHORT
    head = f"{'component':<20} {'days':>5} {'followed':>9} {'spent':>6} {'foretold':>9}"
    lines = [f"{head}  against one curve (2 s.e.)"]
    for row in _over_origins(scores).iter_rows(named=True):
        lines.append(
            f"{row['component']:<20} {row['horizon_days']:>5} {row['units']:>9} {row['failures']:>6} "
            f"{row['expected_failures']:>9.1f}  {row['gain']:+.1f} ({2 * row['gain_se']:.1f})"
        )
    return "\n".join(
        [*lines, "Against one curve: log score gained by telling sites apart; above 0 is better."]
    )


def opinion_words(opinions: pl.DataFrame) -> str:
    """Return how the life of the whole fleet agrees with what an independent library fits."""
    lines = [
        "Second opinion: the library lifelines on the same spells, one life for the whole fleet.",
        f"{'component':<20} {'family':<11} {'spells':>6} {'spent':>6} {'out':>4} {'median':>7} {'theirs':>7} "
        f"{'%':>6} {'sigma':>6} {'theirs':>6} {'%':>6} {'log-lik':>8}  opinion",
    ]
    for row in opinions.iter_rows(named=True):
        head = (
            f"{row['component']:<20} {row['family']:<11} {row['spells']:>6} {row['failures']:>6} "
            f"{row['left_out']:>4}"
        )
        if row["median_days_library"] is None:
            lines.append(f"{head}  {row['opinion']}: {row['reason']}")
            continue
        lines.append(
            f"{head} {row['median_days']:>7.1f} {row['median_days_library']:>7.1f} "
            f"{100 * row['median_difference']:>+6.2f} {row['sigma']:>6.3f} {row['sigma_library']:>6.3f} "
            f"{100 * row['sigma_difference']:>+6.2f} {row['log_likelihood_difference']:>+8.4f}  "
            f"{row['opinion']}"
        )
    return "\n".join(
        [*lines, "out: spells left out of both, their chance being too small for the library to count."]
    )


def _over_origins(scores: pl.DataFrame) -> pl.DataFrame:
    gain = (pl.col("log_score") - pl.col("log_score_fleet")) * pl.col("units")
    return scores.group_by("component", "horizon_days", maintain_order=True).agg(
        pl.col("units", "failures", "expected_failures").sum(),
        gain.sum().alias("gain"),
        ((pl.col("gain_fleet_se") * pl.col("units")) ** 2).sum().sqrt().alias("gain_se"),
    )
