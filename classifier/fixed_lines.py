"""Lines that stay where they are from sub to sub: columns, rows and rows of stars, no trails.

A trail is there once. What lies in the same place in several subs of a run belongs to the sensor
or to the scene, however much it looks like a trail in each of them.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

from classifier.evidence import NO, Evidence

SAME_DEG = 2.0
# Two lines of a run are within 1.5 % of the frame and 2 degrees of one another by chance once in
# some thousand pairs, so that even sixty true trails hardly make one such pair, never four.
SAME_SHARE = 0.015
LEAST_PX = 6.0
OTHERS = 3


def without_fixed(found: Sequence[Evidence]) -> list[Evidence]:
    """Evidence on trails of the subs of one run, lines that stay in place taken out of it.

    The frames must all be of one size, as those of a run are.
    """
    farthest = max((max(line) for one in found for line in one.where), default=0.0)
    reach = max(LEAST_PX, SAME_SHARE * farthest)
    strong = [[] if _is_weak(one) else one.where for one in found]
    return [_judged(one, strong[:i] + strong[i + 1 :], reach) for i, one in enumerate(found)]


def _is_weak(found: Evidence) -> bool:
    """Whether its best line is below the threshold: noise makes such lines in every sub."""
    value, threshold = found.value, found.threshold
    return value is not None and threshold is not None and 0 < value < threshold


def _judged(mine: Evidence, others: Sequence[list], reach: float) -> Evidence:
    counts = [
        sum(any(same_line(line, other, reach) for other in lines) for lines in others)
        for line in mine.where
    ]
    moving = [line for line, count in zip(mine.where, counts, strict=True) if count < OTHERS]
    if len(moving) == len(mine.where):
        return mine
    if moving:
        return replace(mine, where=moving)
    note = f"the same line lies in {max(counts)} other subs: of the sensor or the scene"
    return replace(mine, state=NO, value=0.0, note=note, mistaken=True)


def same_line(one: Sequence[float], two: Sequence[float], reach_px: float) -> bool:
    """Whether two lines [x0, y0, x1, y1] run along one another: nearly parallel, and the middle
    of each within reach_px of the other. How far they reach does not matter."""
    turn = abs(_angle(one) - _angle(two)) % 180
    if min(turn, 180 - turn) > SAME_DEG:
        return False
    return max(_off(one, two), _off(two, one)) <= reach_px


def _angle(line: Sequence[float]) -> float:
    return math.degrees(math.atan2(line[3] - line[1], line[2] - line[0])) % 180


def _off(line: Sequence[float], other: Sequence[float]) -> float:
    """Distance of the other line's middle from a line, to the side."""
    x0, y0, x1, y1 = line
    length = math.hypot(x1 - x0, y1 - y0)
    x, y = (other[0] + other[2]) / 2, (other[1] + other[3]) / 2
    if length == 0:
        return math.hypot(x - x0, y - y0)
    return abs((x - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / length
