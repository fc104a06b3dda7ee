"""Confidence against measure, one small plot per fault: where every sub lies, ready to be drawn.

Across: the measured value over the level from which it counts, in octaves. Up: the model's
confidence in logits, so that 1 % and 0.1 % are as far apart as they are in odds. The two levels
cut the plot into the four ways of agreeing. Nothing is drawn here; the page's template does it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from classifier.crosscheck import agreements
from classifier.results import FrameResult
from classifier.vocabulary import fault
from classifier.wording import percent, quantity

WIDTH, HEIGHT = 300.0, 200.0  # of the area between the axes, in the drawing's own units
WORD = 48.0  # room that the words of a tick need
SURE = 0.999  # confidences beyond lie on the edge
CONFIDENCES = (0.01, 0.1, 0.5, 0.9, 0.99)
LEAST_OCTAVES, MOST_OCTAVES = 0.25, 5.0  # shown on each side of the level


@dataclass(frozen=True)
class Point:
    """One sub; x from the left, y from the top, in the drawing's units."""

    x: float
    y: float
    agreement: str
    path: str
    title: str


@dataclass(frozen=True)
class Scatter:
    """One fault's plot. measure_x: the level from which the measure counts. model_y: that from
    which the model gives the label, None = unknown. ticks: places and their words. unplaced: subs
    without a measured number."""

    fault: str
    unit: str
    points: tuple[Point, ...]
    measure_x: float
    model_y: float | None
    ticks_x: tuple[tuple[float, str], ...]
    ticks_y: tuple[tuple[float, str], ...]
    unplaced: int


def scatter(
    key: str, frames: Sequence[FrameResult], thresholds: Mapping[str, float] | None
) -> Scatter | None:
    """The plot of one fault over the subs that could be read; None where none has a number that
    can be held against a level. thresholds: confidence from which the model gives each label."""
    placed = []
    for frame in frames:
        octaves = _octaves(frame.evidence.get(key, {}))
        if octaves is not None and key in frame.confidence:
            placed.append((frame, octaves))
    if not placed:
        return None
    low, high = _range([octaves for _, octaves in placed])

    def across(octaves: float) -> float:
        return WIDTH * (min(max(octaves, low), high) - low) / (high - low)

    level = _level(placed[0][0].evidence[key])
    points = tuple(
        Point(
            round(across(octaves), 1),
            round(_up(frame.confidence[key]), 1),
            agreements(frame.as_json(), thresholds)[key],
            frame.path,
            _title(frame, key),
        )
        for frame, octaves in placed
    )
    return Scatter(
        fault=key,
        unit=placed[0][0].evidence[key]["unit"],
        points=points,
        measure_x=round(across(0.0), 1),
        model_y=None if thresholds is None else round(_up(thresholds[key]), 1),
        ticks_x=tuple(
            (round(across(at), 1), quantity(level * 2**at, ""))
            for at in (low, 0.0, high)
            if at == 0.0 or abs(across(at) - across(0.0)) >= WORD
        ),
        ticks_y=tuple((round(_up(share), 1), f"{100 * share:.0f} %") for share in CONFIDENCES),
        unplaced=len(frames) - len(placed),
    )


def _octaves(evidence: Mapping) -> float | None:
    """log2 of value over level; None where there is no such number."""
    value, level = evidence.get("value"), _level(evidence)
    if value is None or not level > 0 or not math.isfinite(value):
        return None
    # What is nothing or less lies at the left edge.
    return math.log2(max(value / level, 2.0**-MOST_OCTAVES))


def _level(evidence: Mapping) -> float:
    level = evidence.get("threshold")
    return math.nan if level is None else float(level)


def _range(octaves: Sequence[float]) -> tuple[float, float]:
    """Ends of the axis: all values, but the level always well inside, and no edge far away."""
    low = min(max(min(octaves), -MOST_OCTAVES), -LEAST_OCTAVES)
    high = max(min(max(octaves), MOST_OCTAVES), LEAST_OCTAVES)
    return low, high


def _up(confidence: float) -> float:
    """Place of a confidence from the top of the plot."""
    most = math.log(SURE / (1 - SURE))
    inside = min(max(confidence, 1 - SURE), SURE)
    logit = math.log(inside / (1 - inside))
    return HEIGHT * (most - logit) / (2 * most)


def _title(frame: FrameResult, key: str) -> str:
    found = frame.evidence[key]
    value = quantity(found["value"], found["unit"])
    return f"{frame.path}: {fault(key).title}, model {percent(frame.confidence[key])}, {value}"
