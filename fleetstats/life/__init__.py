"""The life room: from what is known of each unit's life to how long the next one will last at each site."""

from fleetstats.life.curves import cumulative_incidence, product_limit
from fleetstats.life.draws import LifeDraws
from fleetstats.life.fit import fit_life
from fleetstats.life.lifetimes import Lifetimes
from fleetstats.life.predict import FamilyAverage, average_families, draw_lives
from fleetstats.life.priors import Priors, weak_priors
from fleetstats.life.turnbull import turnbull

__all__ = [
    "FamilyAverage",
    "LifeDraws",
    "Lifetimes",
    "Priors",
    "average_families",
    "cumulative_incidence",
    "draw_lives",
    "fit_life",
    "product_limit",
    "turnbull",
    "weak_priors",
]
