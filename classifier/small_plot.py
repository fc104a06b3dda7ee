"""Small line plots for pages, as numbers for a template: axes with round ticks, dots, lines.

    axis = axis_of(values)                 # .low, .high, .ticks
    axis.share(value)                      # 0 at the low end, 1 at the high one

A page stretches a plot to its own width, so places are shares of `WIDE` and `HIGH`; strokes and
labels are not stretched with it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

WIDE, HIGH = 1000, 100
MARGIN = 0.1  # of the span, left free above and below
FAR = 3.0  # values farther out than so many spans of the middle nine tenths are drawn on the edge


@dataclass(frozen=True)
class Axis:
    """From low to high; ticks: (value, words)."""

    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]

    def share(self, value: float) -> float:
        """Where a value lies, 0 to 1; what lies beyond is put on the edge."""
        return min(1.0, max(0.0, (value - self.low) / (self.high - self.low)))


def axis_of(values: Iterable[float], wanted: int = 3, least_span: float = 0.0) -> Axis:
    """An axis for finite values, at least one. Single values far from all others do not press the
    rest flat; `least_span` keeps differences that mean nothing from looking large."""
    known = np.sort(np.fromiter(values, float))
    low, high = float(known[0]), float(known[-1])
    inner_low, inner_high = (float(known[round(q * (len(known) - 1))]) for q in (0.05, 0.95))
    reach = FAR * (inner_high - inner_low)
    if reach > 0:
        low, high = max(low, inner_low - reach), min(high, inner_high + reach)
    missing = least_span - (high - low)
    if missing > 0:
        low, high = low - missing / 2, high + missing / 2
    if high - low < 1e-9 * max(abs(high), 1e-9):
        low, high = low - 0.5, high + 0.5
    room = MARGIN * (high - low)
    low, high = low - room, high + room
    while True:  # a round step may leave less than two marks; a finer one will not
        step = _round_step((high - low) / wanted)
        first, last = math.ceil(low / step), math.floor(high / step)
        if last > first:
            break
        wanted += 1
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = ((k * step, f"{k * step + 0.0:,.{digits}f}") for k in range(first, last + 1))
    return Axis(low, high, tuple(ticks))


def _round_step(rough: float) -> float:
    """The next step of 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(k * power for k in (1, 2, 5, 10) if k * power >= rough * (1 - 1e-9))


def broken_lines(points: Sequence[tuple[float, float] | None]) -> list[str]:
    """Points in order, None where there is a gap -> `points` of one polyline for each piece."""
    pieces: list[list[str]] = [[]]
    for point in points:
        if point is None:
            pieces.append([])
        else:
            pieces[-1].append(f"{point[0]:.1f},{point[1]:.1f}")
    return [" ".join(piece) for piece in pieces if len(piece) > 1]


def tick_rows(axis: Axis) -> list[dict[str, str]]:
    """Ticks of an upright axis: `at` counts in `HIGH` from above, `share` in percent from below."""
    return [
        {
            "at": f"{HIGH * (1 - axis.share(value)):.1f}",
            "share": f"{100 * axis.share(value):.1f}",
            "words": words,
        }
        for value, words in axis.ticks
    ]
