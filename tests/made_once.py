"""What is dear to make is made once a run, whichever of the processes that share the tests needs it first."""

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return the folder that `make` has filled; another process that asks for it meanwhile waits.

    Nobody may write into the folder: copy what a test changes.
    """
    base = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent  # each process has a folder of its own in one that they share
    place, done, broken = base / name, base / f"{name}.done", base / f"{name}.broken"
    try:
        place.mkdir()
    except FileExistsError:
        while not done.exists():
            assert not broken.exists(), f"{name} could not be made: see the test that tried first"
            time.sleep(0.1)
        return place
    try:
        make(place)
    except BaseException:
        broken.touch()
        raise
    done.touch()
    return place
