"""One invented fleet of eighty homes, made once for the tests of this room."""

import pytest

from fleetstats.sample import InventedFleet, invent_fleet


@pytest.fixture(scope="session")
def fleet() -> InventedFleet:
    return invent_fleet(80, seed=11)
