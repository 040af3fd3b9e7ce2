"""What the advice must be told of each kind of component: its costs, today's rule, and what bounds it."""

import math
from dataclasses import dataclass
from typing import Final

from fleetstats.errors import AdviceError
from fleetstats.quantities import WEEK

#: Every n-th visit, at most.
MOST_VISITS: Final = 4
#: A lamp's rated life where nothing gives one: 9,000 h lit, less a margin (common practice).
LAMP_RATED_DAYS: Final = 365.0


def of_uv_unit(name: str, *, announced: bool) -> bool:
    """Return whether a kind belongs to the UV unit: its lamp, its sleeve, or a kind that fails unseen."""
    return not announced or not {"lamp", "sleeve"}.isdisjoint(name.split("_"))


@dataclass(frozen=True, slots=True)
class ComponentTerms:
    """Costs, today's rule and bounds of one kind of component; money in one currency, times in days.

    Attributes
    ----------
    name : str
    announced : bool
        The household notices the failure and calls; False: only looking shows it.
    planned_cost : float
        Part and labour at a planned visit, without the trip, where no part is priced.
    hidden_day_cost : float
        Cost of each day spent unseen (hidden kinds).
    current_interval_days : float
        Today's rule.
    customary_days : float
        The trade's usual interval.
    ceiling_days : float
        Longest interval allowed in service.
    rated_life_days : float or None
        Maker's rated life from the settings.
    failure_chance_limit : float
        Most chance that a fresh unit is spent before its interval; 1 = no limit.
    source : str
        Why ceiling or rated life may lie above the usual; without it they cannot.
    cleaned : bool
        Renewed by cleaning rather than by a part.
    renewed_young : tuple of (float, float)
        Today's practice: chance that a planned visit renews a unit that the visit rule would leave in, up to
        a quarter and up to half of a visit interval old beyond full turns; (0, 0) = the rule is kept.
    """

    name: str
    announced: bool = True
    planned_cost: float = 50.0
    hidden_day_cost: float = 0.0
    current_interval_days: float = 182.0
    customary_days: float = 182.0
    ceiling_days: float = 365.0
    rated_life_days: float | None = None
    failure_chance_limit: float = 1.0
    source: str = ""
    cleaned: bool = False
    renewed_young: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        for name in ("planned_cost", "current_interval_days", "customary_days", "ceiling_days"):
            self._refuse(name, getattr(self, name) > 0, "above 0")
        first, second = self.renewed_young
        if not 0 <= first <= second <= 1:
            raise AdviceError(
                f"component '{self.name}', renewed_young: found {self.renewed_young!r}; accepted are two "
                "shares from 0 to 1, the older's not below the younger's; mend it"
            )
        self._refuse("hidden_day_cost", self.hidden_day_cost >= 0, "0 or more")
        self._refuse("failure_chance_limit", 0 < self.failure_chance_limit <= 1, "above 0 and at most 1")
        if self.rated_life_days is not None:
            self._refuse("rated_life_days", self.rated_life_days > 0, "above 0")

    def _refuse(self, name: str, accepted: bool, wanted: str) -> None:
        value = getattr(self, name)
        if not (accepted and math.isfinite(value)):
            raise AdviceError(
                f"component '{self.name}', {name}: found {value!r}; accepted is a number {wanted}; mend it"
            )

    @property
    def lamp(self) -> bool:
        """Whether it is the UV unit's lamp, which always has a rated life."""
        return "lamp" in self.name.split("_")

    @property
    def of_uv_unit(self) -> bool:
        """Whether its failing means days of doubtful water, so that money may only shorten its interval."""
        return of_uv_unit(self.name, announced=self.announced)

    @property
    def ceiling(self) -> float:
        """Longest interval in service, days: for the UV unit the customary one unless a source raises it."""
        if self.of_uv_unit and not self.source.strip():
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
        raised = len(given) == 2 and bool(self.source.strip())
        if self.lamp and not raised:
            given.append(LAMP_RATED_DAYS)
        return min(given, default=math.inf)


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
