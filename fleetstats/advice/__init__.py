"""The advice room: from how long units last to when each site is visited and what is renewed there."""

from fleetstats.advice.cost import age_cost, best_age, best_hidden_age, hidden_cost
from fleetstats.advice.due import due_list
from fleetstats.advice.evidence import advice_levels, ages_seen
from fleetstats.advice.phasing import calendar, weekly_load
from fleetstats.advice.starting import starting_intervals
from fleetstats.advice.terms import ComponentTerms, VisitTerms
from fleetstats.advice.today import infer_current_rule, usual_lateness
from fleetstats.advice.visits import VisitPlans, plan_visits

__all__ = [
    "ComponentTerms",
    "VisitPlans",
    "VisitTerms",
    "advice_levels",
    "age_cost",
    "ages_seen",
    "best_age",
    "best_hidden_age",
    "calendar",
    "due_list",
    "hidden_cost",
    "infer_current_rule",
    "plan_visits",
    "starting_intervals",
    "usual_lateness",
    "weekly_load",
]
