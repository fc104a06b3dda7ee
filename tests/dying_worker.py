"""Workers that die or dawdle; a module of its own, so that spawned processes start fast."""

import os
import time
from types import SimpleNamespace


def examine_or_die(path, name, settings):
    if name == "b.fits":
        os._exit(9)  # as the system's memory killer would
    return SimpleNamespace(name=name, error="read")


def start() -> None:
    """Instead of the real start of a worker, which loads torch."""


def examine_slowly(path, name, settings):
    if name != "a.fits":
        time.sleep(60)
    return SimpleNamespace(name=name, error="read")
