"""Focus that runs away with the temperature, and comes back each time it is set again.

    share, times = focus_course(temperature_c, hfr)
    share        # of the changes of the stars' width that such a course explains

A tube that shrinks by the degree moves the focus by so much, and the disc that each star becomes
grows with that distance: in square it adds to the width of the sharp star. So the square of the
half-flux radius is c + k (T - T0)^2, with one c and one k for the night and a T0 of its own for
each time the focus was set; T0 is the temperature then.
"""

import math
from itertools import pairwise

import numpy as np

from classifier.night_trend import known

Array = np.ndarray

LEAST = 6
LEAST_PART = 3  # subs between two settings of the focus
SHARPER = 0.93  # setting the focus makes stars at least so much narrower
LEAST_CHANGE_C = 1.0
STARTS = 9  # temperatures tried for the first setting, which may lie before the run


def focus_course(temperature_c: Array, hfr: Array) -> tuple[float, int]:
    """Share of the variance of hfr^2 that the best such course explains, corrected for what it
    may choose freely, 0 to 1; and how often the focus was set anew in it.

    (n,) each, in order of time; NaN is left out. (nan, 0) where fewer than six are known or the
    temperature hardly changed.
    """
    warm, size = known(np.asarray(temperature_c, float), np.asarray(hfr, float))
    n = len(size)
    if n < LEAST or np.ptp(warm) < LEAST_CHANGE_C or np.ptp(size) == 0:
        return math.nan, 0
    square = size**2
    best = (0.0, 0)
    for breaks in _settings(size):
        starts = np.linspace(warm[0], warm[: (*breaks, n)[0]].mean(), STARTS)
        away = warm.copy()
        for begin, end in pairwise((*breaks, n)):
            away[begin:end] -= warm[begin]
        first = slice(0, (*breaks, n)[0])
        for start in starts:
            away[first] = warm[first] - start
            share = _explained(away**2, square, 3 + len(breaks))
            best = max(best, (share, len(breaks)))
    return best


def _settings(size: Array) -> list[tuple[int, ...]]:
    """All choices of up to two subs from which on the focus may have been set anew."""
    n = len(size)
    falls = [
        i
        for i in range(LEAST_PART, n - 1)
        if np.median(size[i : i + 2]) < SHARPER * np.median(size[max(0, i - 2) : i])
    ]
    pairs = [(a, b) for a in falls for b in falls if b - a >= LEAST_PART]
    return [(), *((i,) for i in falls), *pairs]


def _explained(away2: Array, square: Array, free: int) -> float:
    """Adjusted share of variance of c + k away^2, fitted with k above 0."""
    n = len(square)
    centred, target = away2 - away2.mean(), square - square.mean()
    below, whole = float(centred @ centred), float(target @ target)
    if below <= 0 or whole <= 0 or n - free - 1 <= 0:
        return 0.0
    slope = float(centred @ target) / below
    if slope <= 0:
        return 0.0
    left = target - slope * centred
    return max(0.0, 1 - float(left @ left) / whole * (n - 1) / (n - free - 1))
