"""What drawn lives foretell of units that are then followed: chances, hazards and log probabilities."""

from dataclasses import dataclass

import numpy as np

from fleetstats.life.draws import LifeDraws
from fleetstats.quantities import FloatArray

#: Records are kept by the day: a failure on day t stands for the day that ends there.
DAY = 1.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """Lives foretold of n units known to have lasted `since_days`.

    Attributes
    ----------
    lives : draws
        Rows as the units, D draws.
    since_days : numpy.ndarray (n,)
    """

    lives: LifeDraws
    since_days: FloatArray

    def hazard_draws(self, age_days: FloatArray) -> FloatArray:
        """Return the cumulative hazard from `since_days` to `age_days` (n,) under each draw, (n, D)."""
        return self.lives.log_survival(self.since_days) - self.lives.log_survival(age_days)

    def hazard(self, age_days: FloatArray) -> FloatArray:
        """Return the same with the draws averaged as chances, (n,): - log of the share still working."""
        return -_log_mean(-self.hazard_draws(age_days))

    def chance(self, age_days: FloatArray) -> FloatArray:
        """Return the chance of failure from `since_days` to `age_days`, (n,)."""
        return -np.expm1(-self.hazard(age_days))

    def log_probability(self, lower_days: FloatArray, upper_days: FloatArray) -> FloatArray:
        """Return the log of the probability given to what was seen, (n,).

        An end in (lower, upper], a failure on one day (lower == upper), or, with upper = inf, still
        working at `lower`.
        """
        exact = lower_days == upper_days
        low = np.where(exact, np.maximum(lower_days - DAY, self.since_days), lower_days)
        z_low, z_high = self._standardised(low), self._standardised(upper_days)
        within = np.empty(z_low.shape)
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            for family, of in self.lives.families():
                ended = family.log_between(z_low[:, of], z_high[:, of])
                open_end = np.isinf(upper_days)[:, None]
                within[:, of] = np.where(open_end, family.log_sf(z_low[:, of]), ended)
        return _log_mean(within - self.lives.log_survival(self.since_days))

    def _standardised(self, days: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            return (np.log(days)[:, None] - self.lives.location) / self.lives.scale


def _log_mean(log_values: FloatArray) -> FloatArray:
    """Return the log of the mean over draws of exp(log_values), (n, D) -> (n,)."""
    return np.asarray(np.logaddexp.reduce(log_values, axis=1) - np.log(log_values.shape[1]))
