"""Trust: forecasts made at past dates against what came after, and whether chances come true."""

from fleetstats.trust.calibration import calibration
from fleetstats.trust.policy_cost import Prices, policy_cost
from fleetstats.trust.replay import Origin, Replay, Rivals, replay

__all__ = [
    "Origin",
    "Prices",
    "Replay",
    "Rivals",
    "calibration",
    "policy_cost",
    "replay",
]
