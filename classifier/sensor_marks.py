"""What stays on the sensor through a run while the sky moves over it: hot pixels and dust.

    marks = hot_marks([measures.hot for ...])
    marks.shares[i]          # of the hot pixels of sub i, those that other subs have too
    dust = dust_marks(run)

Every sub keeps a sample of its hot pixels: those whose place has the smallest hash. Two samples
of one sensor then hold the same pixels, as far as these are hot in both, whatever their number.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from classifier.star_match import match
from classifier.sweeps import places as hot_places

Array = np.ndarray

SAMPLE = 2000
LEAST_SUBS = 3
# A pixel counts as the sensor's own if this share of the other subs has it too: a pixel at the
# limit of 10 sigma is over it in half of them, a cosmic ray in one sub alone.
AGAIN_IN = 0.25
LEAST_PIXELS = 20
SAME_DISC_PX = 8.0
LEAST_MOVE_PX = 3.0


def sampled(windows: Sequence) -> Array:
    """(n, 2) int32 x, y of at most 2000 hot pixels of `background` windows, by least hash."""
    parts = [
        np.stack((columns + window.x0, rows + window.y0), 1)
        for window in windows
        for rows, columns in [hot_places(window.hot)]
    ]
    places = np.concatenate(parts).astype(np.int32) if parts else np.zeros((0, 2), np.int32)
    order = np.argsort(_hashes(places), kind="stable")
    return places[order[:SAMPLE]]


def _hashes(places: Array) -> Array:
    """(n,) uint64, one for every place, without any order of the sensor in it."""
    x, y = places[:, 0].astype(np.uint64), places[:, 1].astype(np.uint64)
    number = (y << np.uint64(32)) + x
    # The finalizer of splitmix64 (Steele, Lea, Flood 2014), constants from memory.
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        number = (number ^ (number >> np.uint64(shift))) * np.uint64(factor)
    return number ^ (number >> np.uint64(31))


@dataclass(frozen=True)
class HotMarks:
    """shares: of each sub, the share of its hot pixels that other subs have too; NaN where a sub
    has fewer than 20. share: of all of them together, NaN without any."""

    shares: Array
    share: float


def hot_marks(samples: Sequence[Array]) -> HotMarks | None:
    """samples: (n, 2) places per sub, as `sampled`. None with fewer than three subs."""
    if len(samples) < LEAST_SUBS:
        return None
    hashes = [np.sort(_hashes(sample)) for sample in samples]
    # Beyond the last of a full sample its sub may have pixels that were not kept.
    ends = [own[-1] if len(own) >= SAMPLE else np.uint64(2**64 - 1) for own in hashes]
    end = min(ends)
    hashes = [own[own <= end] for own in hashes]
    known, counts = np.unique(np.concatenate(hashes), return_counts=True)
    # In itself and in a quarter of the others, at least in one.
    wanted = 1 + max(1.0, AGAIN_IN * (len(samples) - 1))
    standing = known[counts >= wanted]
    found = [np.isin(own, standing).sum() for own in hashes]
    shares = np.array(
        [
            hits / len(own) if len(own) >= LEAST_PIXELS else np.nan
            for hits, own in zip(found, hashes, strict=True)
        ]
    )
    total = sum(len(own) for own in hashes)
    return HotMarks(shares, sum(found) / total if total >= LEAST_PIXELS else float("nan"))


@dataclass(frozen=True)
class DustMark:
    """A shadow at one place of the sensor. subs: how many of the run show it there; of: how many
    were looked at; radius_px: median."""

    x_px: float
    y_px: float
    radius_px: float
    subs: int
    of: int


def dust_marks(discs: Sequence[Sequence[Sequence[float]]]) -> list[DustMark]:
    """Shadows that several subs show at the same place, the most persistent first.

    discs: of every sub, [x, y, r] of its dark discs.
    """
    every = [(i, *disc[:3]) for i, own in enumerate(discs) for disc in own if len(disc) == 3]
    if not every:
        return []
    table = np.array(every, float)
    near = cKDTree(table[:, 1:3]).query_ball_point(table[:, 1:3], SAME_DISC_PX)
    marks: list[DustMark] = []
    used = np.zeros(len(table), bool)
    for number in np.argsort([-len(np.unique(table[group, 0])) for group in near], kind="stable"):
        group = [member for member in near[number] if not used[member]]
        if used[number] or not group:
            continue
        used[group] = True
        x, y, radius = np.median(table[group, 1:], axis=0)
        subs = len(np.unique(table[group, 0]))
        if subs >= 2:
            marks.append(DustMark(float(x), float(y), float(radius), subs, len(discs)))
    return sorted(marks, key=lambda mark: -mark.subs)


def sky_moved_px(stars: Sequence[Array]) -> float | None:
    """How far the stars moved over the sensor through the run, px: the widest of the median shifts
    against the sub with most stars; None where they could not be matched.

    stars: (n, 3) x, y, flux of each sub. A meridian flip moves them across the whole frame.
    """
    if len(stars) < 2:
        return None
    best = stars[max(range(len(stars)), key=lambda i: len(stars[i]))]
    shifts = []
    for own in stars:
        pairs = match(own, best)
        if len(pairs):
            shifts.append(np.median(own[pairs[:, 0], :2] - best[pairs[:, 1], :2], axis=0))
    if len(shifts) < 2:
        return None
    return float(max(np.hypot(*(a - b)) for a in shifts for b in shifts))
