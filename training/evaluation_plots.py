"""Where the marks of an evaluation's pictures go; the template of the page draws them.

Plots are in units of their own, y from the top. Curves: share found against strength on a
logarithmic axis, always growing to the right, also where the number falls. Reliability: share
with the fault against confidence. Dots: average precision per fault with its interval.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from classifier.vocabulary import Fault
from classifier.wording import quantity
from training.side_by_side import is_known, strength_text

WIDTH, HEIGHT = 240.0, 130.0
WORD = 34.0  # room that the words of a tick need
ROW = 26.0  # height of a fault among the dots
CURVE_POINTS = 48


@dataclass(frozen=True)
class Mark:
    """A point with its whisker from top to bottom (or left to right, for dots)."""

    x: float
    y: float
    low: float
    high: float
    title: str
    radius: float = 3.0


@dataclass(frozen=True)
class Curve:
    """One kind of frames in a plot. line: "x,y x,y ..." of the fit, "" without one. words: the
    strengths at which half and 95 % are found."""

    kind: str
    marks: tuple[Mark, ...]
    line: str
    words: tuple[str, str]


@dataclass(frozen=True)
class Panel:
    """The curves of one fault; level: place of the strength from which it counts, None outside."""

    key: str
    unit: str
    curves: tuple[Curve, ...]
    level: float | None
    ticks: tuple[tuple[float, str], ...]


def sensitivity_panel(row: Fault, kinds: Mapping[str, Mapping[str, Any]]) -> Panel | None:
    """The share found against strength of one fault. kinds: its `sensitivity` by kind of frames.
    None where no kind has parts."""
    kinds = {name: told for name, told in kinds.items() if told.get("parts")}
    if not kinds:
        return None
    faintest = 1e-3 * row.counts_from
    ends = [
        math.log(max(part[end], faintest))
        for told in kinds.values()
        for part in told["parts"]
        for end in ("from", "to")
    ]
    low, high = min(ends), max(ends)
    span = max(high - low, 1e-9)

    def across(strength: float) -> float:
        place = (math.log(max(strength, faintest)) - low) / span
        return round(WIDTH * (1 - place if row.grows_downwards else place), 1)

    curves = tuple(
        Curve(
            name,
            tuple(_part_mark(part, across) for part in told["parts"]),
            _fit_line(told, across),
            (strength_text(told["strength_50"]), strength_text(told["strength_95"])),
        )
        for name, told in kinds.items()
    )
    level = across(row.counts_from)
    ticks = [(level, quantity(row.counts_from, ""))] if 0 <= level <= WIDTH else []
    for end in (low, high):
        at = across(math.exp(end))
        if not ticks or abs(at - level) >= WORD:
            ticks.append((at, quantity(_round(math.exp(end)), "")))
    return Panel(row.key, row.unit, curves, level if 0 <= level <= WIDTH else None, tuple(ticks))


def _part_mark(part: Mapping[str, Any], across: Any) -> Mark:
    middle = 0.5 * (across(part["from"]) + across(part["to"]))
    title = (
        f"{part['from']:.3g} to {part['to']:.3g}: {100 * part['found']:.0f} % of "
        f"{part['frames']} frames found"
    )
    y = _up(part["found"])
    return Mark(round(middle, 1), y, _up(part["low"], y), _up(part["high"], y), title)


def _fit_line(told: Mapping[str, Any], across: Any) -> str:
    if not is_known(told["slope"]):
        return ""
    first, last = told["parts"][0]["from"], told["parts"][-1]["to"]
    points = []
    for step in range(CURVE_POINTS + 1):
        share = step / CURVE_POINTS
        if min(first, last) <= 0:
            return ""
        strength = math.exp((1 - share) * math.log(first) + share * math.log(last))
        logit = told["intercept"] + told["slope"] * math.log(strength)
        points.append(f"{across(strength)},{_up(1 / (1 + math.exp(-max(min(logit, 40), -40))))}")
    return " ".join(points)


def reliability_marks(rows: Sequence[Mapping[str, Any]]) -> tuple[Mark, ...]:
    """The reliability curve of one fault, the area of a point growing with its frames."""
    most = max((row["count"] for row in rows), default=1)
    marks = []
    for row in rows:
        low, high = row.get("interval", (math.nan, math.nan))
        title = (
            f"{row['count']} frames, {100 * row['probability']:.0f} % sure on average, "
            f"{100 * row['positives']:.0f} % have it"
        )
        radius = 2 + 4 * math.log1p(row["count"]) / math.log1p(most)
        x, y = round(WIDTH * row["probability"], 1), _up(row["positives"])
        marks.append(Mark(x, y, _up(low, y), _up(high, y), title, round(radius, 1)))
    return tuple(marks)


def precision_dots(
    keys: Sequence[str], columns: Mapping[str, Mapping[str, Any]], width: float
) -> dict[str, tuple[Mark, ...]]:
    """Average precision of every fault for every kind of frames; y is that of the fault's row."""
    dots = {}
    for place, (kind, told) in enumerate(columns.items()):
        offset = ROW * (place + 1) / (len(columns) + 1)
        marks = []
        for index, key in enumerate(keys):
            row = told["faults"][key]
            entry = row["average_precision"]
            if is_known(entry["value"]):
                x = round(width * entry["value"], 1)
                low, high = (
                    round(width * entry[end], 1) if is_known(entry[end]) else x
                    for end in ("low", "high")
                )
                title = f"{kind}: {entry['value']:.2f} on {row['positives']} frames with it"
                marks.append(Mark(x, round(ROW * index + offset, 1), low, high, title))
        dots[kind] = tuple(marks)
    return dots


def _up(share: float, unknown: float = 0.0) -> float:
    return round(HEIGHT * (1 - share), 1) if is_known(share) else unknown


def _round(value: float) -> float:
    return float(f"{value:.2g}")
