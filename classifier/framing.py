"""How subs are framed against a reference: turned, shifted, scaled, mirrored, and what they share.

    fields = [StarField(name, field_stars(frame), frame.pixels.shape) for ...]
    framing = framed(fields[1], fields[0])         # one sub against a reference
    shared_area(framings, fields[0].size_px)       # what a stack of all of them can use
    framing_evidence(stars, sizes)                 # a whole run, for the set fault

Coordinates are the pixels of the file's array: x along the first FITS axis, the centre of the
first pixel at (0, 0), angles from +x towards +y. A turn by 180 degrees, as a meridian flip makes,
loses nothing and is no mismatch, so turns are given modulo 180 degrees.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from classifier.evidence import NO, YES, Evidence, unknown
from classifier.star_pattern import LEAST_STARS, Match, Pattern, match_pattern
from classifier.vocabulary import fault

Array = np.ndarray

KEY = "rotation_mismatch"
UNCOVERED_FROM = 0.05  # share of the reference that a sub may miss before it counts


@dataclass(frozen=True)
class StarField:
    """stars: (n, 2) or more columns, x, y in px, brightest first. size_px: (height, width)."""

    name: str
    stars: Array
    size_px: tuple[int, int]


@dataclass(frozen=True)
class Framing:
    """One sub against the reference.

    turn_deg: how far the sub's frame lies turned from the reference's, from +x towards +y, modulo
    180 in (-90, 90]; error_deg its standard error. half_turn: whether 180 degrees were taken off.
    mirrored: one of the files was turned over. scale: reference pixels per pixel of the sub.
    shift_px: from the centre of the reference to that of the sub, reference pixels. outline:
    (4, 2) the sub's corners in reference pixels. covered: share of the reference inside it.
    matched: number of stars that meet; rms_px: how well, in reference pixels.
    """

    name: str
    turn_deg: float
    error_deg: float
    half_turn: bool
    mirrored: bool
    scale: float
    shift_px: tuple[float, float]
    outline: Array
    covered: float
    matched: int
    rms_px: float

    @property
    def is_mismatch(self) -> bool:
        """Whether it counts: turned by half a degree, or 5 % of the reference not covered."""
        turned = abs(self.turn_deg) >= fault(KEY).counts_from
        return turned or 1 - self.covered >= UNCOVERED_FROM


@dataclass(frozen=True)
class Unmatched:
    """A sub that could not be laid over the reference, with one sentence why."""

    name: str
    why: str


def framed(field: StarField, reference: StarField | Pattern, size_px=None) -> Framing | Unmatched:
    """One sub against the reference (a field, or its Pattern with its size)."""
    if isinstance(reference, StarField):
        size_px, reference = reference.size_px, Pattern(reference.stars)
    match = match_pattern(field.stars, reference)
    if match is None:
        return Unmatched(field.name, _why_unmatched(field, len(reference.stars)))
    return _framing(field, match.matrix, match.shift, size_px, match)


def _framing(
    field: StarField, matrix: Array, shift: Array, size_px: tuple[int, int], match: Match
) -> Framing:
    # An exact flip must not come out as a turn of -180 degrees and some rounding.
    angle = float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])))
    turn = (angle + 90.0) % 180.0 - 90.0
    outline = corners(field.size_px) @ matrix.T + shift
    away = outline.mean(0) - corners(size_px).mean(0)
    area = polygon_area(corners(size_px))
    return Framing(
        name=field.name,
        turn_deg=90.0 if turn == -90.0 else turn,
        error_deg=match.rotation_error_deg,
        half_turn=abs(angle) > 90.0,
        mirrored=bool(np.linalg.det(matrix) < 0),
        scale=float(abs(np.linalg.det(matrix)) ** 0.5),
        shift_px=(float(away[0]), float(away[1])),
        outline=outline,
        covered=polygon_area(clipped(corners(size_px), outline)) / area,
        matched=len(match.pairs),
        rms_px=match.rms_px,
    )


def _why_unmatched(field: StarField, reference_stars: int) -> str:
    count = len(field.stars)
    if reference_stars < LEAST_STARS:
        return (
            f"The reference shows {reference_stars} stars and at least {LEAST_STARS} are needed; "
            "choose another reference."
        )
    if count < LEAST_STARS:
        return (
            f"Only {count} stars were found and at least {LEAST_STARS} are needed: cloud, a cap, "
            "defocus or a very short sub; look at it."
        )
    return (
        f"None of the patterns of its {count} stars lies in the reference's {reference_stars}: it "
        "shows another field, shares too little of it, or its stars are too distorted; look at it."
    )


def corners(size_px: tuple[int, int]) -> Array:
    """(4, 2) outer corners of a frame of (height, width), in order round it."""
    height, width = size_px
    low_x, low_y, high_x, high_y = -0.5, -0.5, width - 0.5, height - 0.5
    return np.array([[low_x, low_y], [high_x, low_y], [high_x, high_y], [low_x, high_y]])


def polygon_area(polygon: Array) -> float:
    """Area of a polygon, (n, 2) corners in order; 0 for fewer than three."""
    if len(polygon) < 3:
        return 0.0
    x, y = polygon.T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def clipped(polygon: Array, window: Array) -> Array:
    """The part of a convex polygon inside another convex one; (0, 2) if they are apart.

    Edge by edge of the window, what lies beyond the edge is cut off (Sutherland and Hodgman 1974,
    from memory).
    """
    x, y = window.T
    if x @ np.roll(y, -1) - y @ np.roll(x, -1) < 0:
        window = window[::-1]
    for start, end in zip(window, np.roll(window, -1, axis=0), strict=True):
        if not len(polygon):
            break
        edge = end - start
        beyond = edge[0] * (polygon[:, 1] - start[1]) - edge[1] * (polygon[:, 0] - start[0])
        kept = []
        for i in range(len(polygon)):
            j = (i + 1) % len(polygon)
            if beyond[i] >= 0:
                kept.append(polygon[i])
            if (beyond[i] >= 0) != (beyond[j] >= 0):
                part = beyond[i] / (beyond[i] - beyond[j])
                kept.append(polygon[i] + part * (polygon[j] - polygon[i]))
        polygon = np.array(kept).reshape(-1, 2)
    return polygon


def shared_outline(framings: Sequence[Framing], size_px: tuple[int, int]) -> Array:
    """(n, 2) corners of what the reference and all the subs have in common."""
    polygon = corners(size_px)
    for framing in framings:
        polygon = clipped(polygon, framing.outline)
    return polygon


def shared_area(framings: Sequence[Framing], size_px: tuple[int, int]) -> float:
    """Share of the reference that all the subs cover, 0 to 1."""
    return polygon_area(shared_outline(framings, size_px)) / polygon_area(corners(size_px))


def area_costs(framings: Sequence[Framing], size_px: tuple[int, int]) -> list[float]:
    """What the shared area would gain without each sub, as a share of the reference."""
    whole = polygon_area(corners(size_px))
    # Running intersections from both ends: one pass each instead of n^2 clippings.
    before, after = [corners(size_px)], [corners(size_px)]
    for framing in framings:
        before.append(clipped(before[-1], framing.outline))
    for framing in reversed(framings):
        after.append(clipped(after[-1], framing.outline))
    after.reverse()
    total = polygon_area(before[-1])
    return [
        # Two convex polygons at a time; an empty one stays empty.
        (_common(before[i], after[i + 1]) - total) / whole
        for i in range(len(framings))
    ]


def _common(one: Array, other: Array) -> float:
    return polygon_area(clipped(one, other)) if len(one) > 2 and len(other) > 2 else 0.0


def turning_deg_per_h(framings: Sequence[Framing], hours: Mapping[str, float]) -> float | None:
    """How fast the field turns through a set whose turns lie on a line over time; else None.

    hours: time of each sub by name, from any zero. At least five subs with known times, a line
    that explains nine tenths of the scatter, and a turn from first to last of 0.05 degree and five
    times the error of a single one: a slipping clamp jumps, a polar axis that is off drifts.
    """
    timed = [one for one in framings if one.name in hours]
    if len(timed) < 5:
        return None
    time = np.array([hours[one.name] for one in timed])
    turns = np.array([one.turn_deg for one in timed])
    turns = (turns - turns[0] + 90) % 180 - 90
    if np.ptp(time) == 0 or np.ptp(turns) == 0:
        return None
    slope, start = np.polyfit(time - time.mean(), turns, 1)
    left = turns - start - slope * (time - time.mean())
    error = float(np.median([one.error_deg for one in timed]))
    steady = left.var() <= 0.1 * turns.var()
    return float(slope) if steady and abs(slope) * np.ptp(time) >= max(0.05, 5 * error) else None


def usual_index(framings: Sequence[Framing | Unmatched]) -> int:
    """Index of a sub in the middle of the set: of those near it, the one with most stars met."""
    found = [i for i, one in enumerate(framings) if isinstance(one, Framing)]
    turns = np.array([framings[i].turn_deg for i in found])  # type: ignore[union-attr]
    shifts = np.array([framings[i].shift_px for i in found])  # type: ignore[union-attr]
    # Differences modulo 180 degrees; a cost of 1 is a turn that counts, or a usual distance.
    apart = abs((turns[:, None] - turns + 90) % 180 - 90)
    away = np.linalg.norm(shifts[:, None] - shifts, axis=2)
    scale = max(1.0, float(np.median(away[away > 0]))) if (away > 0).any() else 1.0
    cost = np.median(apart / fault(KEY).counts_from + away / scale, axis=1)
    near = np.nonzero(cost <= cost.min() + 0.5)[0]
    best = max(near, key=lambda i: framings[found[i]].matched)  # type: ignore[union-attr]
    return found[int(best)]


def framing_set(
    fields: Sequence[StarField], against: StarField | None = None
) -> tuple[StarField, list[Framing | Unmatched]]:
    """The reference and every field laid over it, in the order given.

    Without `against`, the reference is the sub that stands for most of the set: all are first
    laid over the one richest in stars, then over the one in their middle.
    """
    if against is not None:
        pattern = Pattern(against.stars)
        return against, [framed(one, pattern, against.size_px) for one in fields]
    richest = max(fields, key=lambda one: len(one.stars))
    first = framing_set(fields, richest)[1]
    if not any(isinstance(one, Framing) for one in first):
        return richest, first
    usual = fields[usual_index(first)]
    return framing_set(fields, usual) if usual is not richest else (usual, first)


def framing_evidence(stars: Sequence[Array], sizes: Sequence[tuple[int, int]]) -> list[Evidence]:
    """Evidence on `rotation_mismatch` for every sub of a run, against what most of it shows.

    stars: (n, 2) or more columns of each sub, x and y first, brightest first; sizes: (height,
    width) of each. The value is the turn in degrees modulo 180; a shift is told in the note.
    """
    row = fault(KEY)
    fields = [StarField(str(i), s, z) for i, (s, z) in enumerate(zip(stars, sizes, strict=True))]
    if len(fields) < 2:
        note = "a single sub has nothing to be framed against"
        return [unknown(row.unit, row.counts_from, note) for _ in fields]
    evidence = []
    for one in framing_set(fields)[1]:
        if isinstance(one, Unmatched):
            evidence.append(unknown(row.unit, row.counts_from, one.why))
            continue
        note = f"{100 * (1 - one.covered):.1f} % of the usual frame not covered"
        state = YES if one.is_mismatch else NO
        evidence.append(Evidence(state, abs(one.turn_deg), row.unit, row.counts_from, note))
    return evidence
