"""Trends and changes in a series of a night, robust against single odd subs.

    slope = trend(hours, hfr)            # Theil and Sen's slope with its bounds
    step = find_step(hfr)                # where the level changes most, and how surely
    begin, end, share = find_spell(hfr)  # the same for a level that may come back
    rises = correlation(ambient, hfr)    # Spearman's rank correlation

Unknown values (NaN) are left out everywhere; too few values give None or NaN.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

Array = np.ndarray

LEAST = 5
# Median absolute deviation of a normal distribution over its standard deviation.
MAD = 0.6745


@dataclass(frozen=True)
class Trend:
    """Slope per unit of x with its 95 % bounds, and the middle value on the line."""

    slope: float
    low: float
    high: float
    level: float

    @property
    def is_sure(self) -> bool:
        """Whether both bounds have the same sign."""
        return self.low * self.high > 0


@dataclass(frozen=True)
class Step:
    """A change of level between values `at - 1` and `at` of the series given.

    size: level after less level before (medians). sigma: size over its error from the scatter
    within the two parts. share: of the series' variance that the step explains, 0 to 1.
    """

    at: int
    size: float
    sigma: float
    share: float


def known(*series: Array) -> list[Array]:
    """The series where all of them are known."""
    good = np.all([np.isfinite(each) for each in series], axis=0)
    return [np.asarray(each, float)[good] for each in series]


def trend(x: Array, y: Array) -> Trend | None:
    """Slope of y over x: the median of the slopes between all pairs (Theil 1950, Sen 1968)."""
    x, y = known(x, y)
    if len(x) < LEAST or np.ptp(x) == 0:
        return None
    slope, _, low, high = stats.theilslopes(y, x, 0.95)
    level = float(np.median(y - slope * (x - np.median(x))))
    return Trend(float(slope), float(low), float(high), level)


def find_step(series: Array, at: int | None = None, least: int = 3) -> Step | None:
    """The one change of level that explains most of the series, or that before value `at`.

    Indices are those of the series as given, unknown values included. The sizes of the parts'
    sums of absolute deviations decide, so that one wild value does not draw the step to itself.
    """
    series = np.asarray(series, float)
    places = np.flatnonzero(np.isfinite(series))
    y = series[places]
    if len(y) < 2 * least:
        return None
    cuts = range(least, len(y) - least + 1)
    if at is not None:
        cut = int(np.searchsorted(places, at))
        if not least <= cut <= len(y) - least:
            return None
        cuts = range(cut, cut + 1)
    best = min(cuts, key=lambda cut: _spread(y[:cut]) + _spread(y[cut:]))
    before, after = y[:best], y[best:]
    size = float(np.median(after) - np.median(before))
    scatter = robust_spread(np.concatenate((before - np.median(before), after - np.median(after))))
    # 1.2533: error of a median over that of a mean, for normal scatter.
    error = 1.2533 * scatter * math.sqrt(1 / len(before) + 1 / len(after))
    whole = _spread(y)
    left = _spread(before) + _spread(after)
    share = max(0.0, 1 - (left / whole) ** 2) if whole > 0 else 0.0
    floor = 1e-9 * max(1.0, float(np.abs(y).max()))
    return Step(int(places[best]), size, abs(size) / max(error, floor), share)


def robust_spread(values: Array) -> float:
    """Standard deviation from the median absolute deviation; NaN if nothing is known."""
    values = values[np.isfinite(values)]
    if not len(values):
        return math.nan
    return float(np.median(np.abs(values - np.median(values)))) / MAD


def correlation(x: Array, y: Array) -> float:
    """Spearman's rank correlation, -1 to 1; 0 where one of them does not vary or too few are
    known."""
    x, y = known(x, y)
    if len(x) < LEAST or np.ptp(x) == 0 or np.ptp(y) == 0:
        return 0.0
    return float(stats.spearmanr(x, y)[0])


def smoothness(series: Array) -> float:
    """How alike neighbours are: 1 for a slow course, 0 for a random order, below for to and fro.

    One less half the mean squared difference of neighbours over the variance (von Neumann 1941).
    """
    (y,) = known(series)
    if len(y) < LEAST or np.ptp(y) == 0:
        return 0.0
    return float(1 - 0.5 * np.mean(np.diff(y) ** 2) / np.var(y))


def eases(series: Array, least: float = 0.05) -> float:
    """The greatest fall from a value to a later one over the whole range, 0 to 1, by medians of
    three, of a twelfth in longer series: 1 for what went again at some time, 0 for what only grew.
    A range below `least` is none."""
    (y,) = known(series)
    if len(y) < LEAST:
        return 0.0
    # The more values, the farther apart the extremes of their errors; medians of more hold them.
    width = max(3, len(y) // 12)
    calm = np.array([np.median(y[i : i + width]) for i in range(len(y) - width + 1)])
    falls = np.maximum.accumulate(calm) - calm
    return float(np.clip(falls.max() / max(float(np.ptp(calm)), least), 0, 1))


def find_spell(values: Array, least: int = 3) -> tuple[int, int, float] | None:
    """The one spell of another level that explains most of a series without gaps: its first
    value, the first after it (the end of the series at most), and the share of the variance that
    the two levels explain, 0 to 1. None where it is shorter than six or does not vary."""
    n = len(values)
    centred = values - values.mean()
    whole = float((centred**2).sum())
    if n < 2 * least or whole == 0:
        return None
    sums = np.concatenate(([0.0], np.cumsum(centred)))
    best = (0, 0, -1.0)
    for length in range(least, n - least + 1):
        inside = (sums[length:] - sums[:-length]) ** 2  # of every spell of this length
        at = int(inside.argmax())
        # Between two groups about a common mean of 0: S^2 / k + S^2 / (n - k).
        share = float(inside[at]) * (1 / length + 1 / (n - length)) / whole
        if share > best[2]:
            best = (at, at + length, share)
    return best


def _spread(values: Array) -> float:
    return float(np.abs(values - np.median(values)).sum())
