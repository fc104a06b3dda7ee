"""Focus that runs away with the temperature, and comes back each time it is set again; or that is
knocked out of place at once.

    share, times = focus_course(temperature_c, hfr)
    share        # of the changes of the stars' width that such a course explains
    share, sigma = focus_spell(hfr, airmass)

A tube that shrinks by the degree moves the focus by so much, and the disc that each star becomes
grows with that distance: in square it adds to the width of the sharp star. So the square of the
half-flux radius is c + k (T - T0)^2, with one c and one k for the night and a T0 of its own for
each time the focus was set; T0 is the temperature then.
"""

import math
from itertools import pairwise

import numpy as np

from classifier.night_trend import find_spell, known, robust_spread

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


def focus_spell(hfr: Array, airmass: Array) -> tuple[float, float]:
    """Share of the variance of log hfr that one spell out of focus explains, 0 to 1, and how many
    times its error the change is.

    The air widens a sharp star as airmass^0.6, the disc out of focus stays as it is; the two add
    in square. (n,) each, in order of time; NaN is left out. (0, 0) where fewer than six are known
    or nothing changes.
    """
    size, air = known(np.asarray(hfr, float), np.asarray(airmass, float) ** 0.6)
    size, air = size[size > 0], air[size > 0]
    spell = find_spell(np.log2(size / air)) if len(size) else None
    if spell is None:
        return 0.0, 0.0
    inside = np.zeros(len(size), bool)
    inside[spell[0] : spell[1]] = True
    if np.median((size / air)[inside]) < np.median((size / air)[~inside]):
        inside = ~inside  # the spell found is the one in focus
    sharp = float(np.median((size / air)[~inside])) * air
    disc2 = float(np.median((size**2 - sharp**2)[inside]))
    told = np.log2(np.sqrt(sharp**2 + np.where(inside, max(disc2, 0.0), 0.0)))
    left = np.log2(size) - told
    whole = np.log2(size / sharp)
    share = 1 - float(left @ left) / max(float(((whole - whole.mean()) ** 2).sum()), 1e-12)
    change = float(np.median(whole[inside]) - np.median(whole[~inside]))
    # 1.2533: error of a median over that of a mean, for normal scatter.
    error = 1.2533 * robust_spread(left) * math.sqrt(1 / inside.sum() + 1 / (~inside).sum())
    return max(0.0, share), change / max(error, 1e-9)
