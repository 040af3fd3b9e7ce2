"""The visit rule: which units a visit renews, and which stay until the next.

A unit is renewed if its age at the next visit would pass its interval by more than half a visit interval,
or would pass a hard limit. Each formula takes numbers, numpy arrays or polars expressions alike.
"""

from typing import Any, Final

import numpy as np

from fleetstats.quantities import FloatArray

#: How far past its interval a unit may run, in visit intervals.
MOST_OVERRUN: Final = 0.5
#: Overruns that rates are worked out for: 0 where a hard limit equals the interval, half where none is near.
OVERRUNS: Final = np.array([0.0, 0.25, MOST_OVERRUN])
#: Days beyond which a limit bounds nothing.
CENTURY: Final = 36_525


def past_interval(age: Any, *, visit: Any, interval: Any, overrun: Any = MOST_OVERRUN) -> Any:
    """Return whether a unit left in at a visit would run too far past its interval before the next.

    Parameters
    ----------
    age : days at the visit
    visit, interval : days
        Visit interval, and the unit's own.
    overrun : visit intervals
        How far past its interval it may run.
    """
    return age + visit > interval + overrun * visit


def past_limit(age: Any, *, to_next: Any, limit: Any) -> Any:
    """Return whether a unit left in at a visit would be past its hard limit at the next.

    Ages count in whole days, as in the records: a unit is past a limit of 99.5 days on day 100, past one of
    100 days on day 101.

    Parameters
    ----------
    age, to_next, limit : days
        Age at the visit, days from it to the next, and the limit net of lateness.
    """
    return (age + to_next) // 1 > limit


def overrun_within(limit: FloatArray, *, visit: FloatArray, every_n: Any) -> FloatArray:
    """Return how far a unit may run past every n-th visit before its hard limit, in visit intervals."""
    return np.asarray(np.clip(limit / visit - every_n, 0.0, MOST_OVERRUN))
