"""What the advice must be told: of each component today's rule, of visits their costs and bounds."""

import math
from dataclasses import dataclass
from typing import Final

from fleetstats.components import Component
from fleetstats.errors import AdviceError
from fleetstats.quantities import WEEK
from fleetstats.setting_rules import number, setting

#: Every n-th visit, at most.
MOST_VISITS: Final = 4


@dataclass(frozen=True, slots=True)
class ComponentTerms(Component):
    """A component with the rule that is in force for it today.

    Attributes
    ----------
    current_interval_days : float
        Today's rule.
    renewed_young : tuple of (float, float)
        Today's practice: chance that a planned visit renews a unit that the visit rule would leave in, up to
        a quarter and up to half of a visit interval old beyond full turns; (0, 0) = the rule is kept.
    """

    current_interval_days: float = setting(182.0, number(0, above=True), "days", "today's rule")
    renewed_young: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        Component.__post_init__(self)
        first, second = self.renewed_young
        if not 0 <= first <= second <= 1:
            raise AdviceError(
                f"component '{self.name}', renewed_young: found {self.renewed_young!r}; accepted are two "
                "shares from 0 to 1, the older's not below the younger's; mend it"
            )


@dataclass(frozen=True, slots=True)
class VisitTerms:
    """Costs and bounds of visits, the same for every site; money in one currency, times in days.

    Attributes
    ----------
    trip_cost : float
        A planned visit, before parts.
    callout_cost : float
        A whole unplanned trip, inconvenience included, before the part.
    current_visit_days : float
        Today's visit interval, where a site has none of its own.
    lateness_days : float
        How late visits happen; taken off every deadline.
    local_rule_days : float or None
        Longest visit interval an authority allows.
    shortest_visit_days, longest_visit_days : float
        Visit intervals looked at.
    beyond_records : float
        How far past the ages seen an interval may go; 0 = off.

    Raises
    ------
    AdviceError
        If a value is impossible.
    """

    trip_cost: float
    callout_cost: float
    current_visit_days: float
    lateness_days: float = 0.0
    local_rule_days: float | None = None
    shortest_visit_days: float = 56.0
    longest_visit_days: float = 364.0
    beyond_records: float = 1.25

    def __post_init__(self) -> None:
        least = {
            "trip_cost": 0.0,
            "callout_cost": 0.0,
            "current_visit_days": 1.0,
            "lateness_days": 0.0,
            "shortest_visit_days": float(WEEK),
            "longest_visit_days": self.shortest_visit_days,
            "beyond_records": 0.0,
        }
        if self.local_rule_days is not None:
            least["local_rule_days"] = 1.0
        for name, value in least.items():
            found = getattr(self, name)
            if not (math.isfinite(found) and found >= value):
                raise AdviceError(
                    f"{name}: found {found!r}; accepted is a finite number from {value:g} up; mend it"
                )
