"""Whether costs may be told at all, and what is said in their place while the records are too few."""

from fleetstats.advice.evidence import too_few_for_costs
from fleetstats.components import plural_of
from fleetstats.report import words
from fleetstats.report.results import Results

TOO_FEW = (
    "The records are too few for figures of cost: none are told here, and today's rule is kept but where a "
    "limit is shorter"
)


def instead(results: Results) -> str:
    """Return what stands in place of costs and savings, and what would settle it; blank where they are told.

    The condition is the one by which the command line leaves costs out. They are told as soon as the records
    carry advice on one component: the one that gets there first at the pace so far is named.
    """
    levels = results.evidence_levels
    if not results.plans.height or not too_few_for_costs(levels):
        return ""
    first = next(levels.sort("months_to_wait", "component", nulls_last=True).iter_rows(named=True), None)
    if first is None or not first["wanted"]:
        return f"{TOO_FEW}. What was found of each part, written down at every visit, settles it with time."
    months = first["months_to_wait"]
    dated = first["wanted"].endswith("more)")  # how much longer the records must run is said there
    when = f", in about {words.counted(months, 'month')} at the pace so far" if months and not dated else ""
    return (
        f"{TOO_FEW}. What would settle it first, for {plural_of(first['component'])} over all "
        f"sites: {first['wanted']}{when}."
    )
