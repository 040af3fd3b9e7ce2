"""Array types and the few constants of time and spread that all rooms share."""

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
#: Positions in another array.
IndexArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

DAYS_PER_YEAR: Final = 365.25
DAYS_PER_MONTH: Final = DAYS_PER_YEAR / 12.0
#: Days of the grid that visit intervals stand on.
WEEK: Final = 7
#: Standard normal quantile of 0.95: half the width of a 90 % range, in standard errors.
Z90: Final = 1.6448536269514722
