"""Short trails: a long thin piece of light by itself, where a search over whole lines is blind.

A meteor or a slow satellite may be no longer than a tenth of the frame. Sums over lines drown it,
and the clipping that takes stars out of them takes most of its light. But it hangs together: a
piece of sky above the noise that is many times as long as wide, straight, and like no other piece
of the frame. Stars drawn out by a drift are all alike; a galaxy on edge is thick in its middle.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from classifier.sweeps import median, places

Array = np.ndarray

ABOVE_NOISE = 3.0
SHORTEST_CELLS = 9.0
SLENDER = 6.0  # times its own full width at half height; stars reach 3.5, hooks of guiding bend
STANDS_OUT = 2.0  # times as long as all but a tenth of the other pieces
FILLED = 0.85  # of the cells along it that are lit
ALIKE_DEG, ALIKE = 12.0, 3  # so many pieces as long, the same way, are no trails
MOST_BENT = 0.7  # cells that its middle lies beside the line through its ends
WITH_A_STAR = 1.6  # times as many cells to a step along it as usual: there something touches it,
BESIDE = 0.75  # and from the side, if the middle of these cells lies so far off
CROWD = 200  # pieces as long as this search asks for: cloud, or everything hangs together
PARTS = 6
EVERYWHERE = np.ones((3, 3), bool)


@dataclass(frozen=True)
class Piece:
    """ends: x0, y0, x1, y1; length and width of what is lit; all in cells. snr: of its light."""

    ends: Array
    length: float
    width: float
    snr: float
    is_slender: bool

    @property
    def angle_deg(self) -> float:
        x0, y0, x1, y1 = self.ends
        return float(np.rad2deg(np.arctan2(y1 - y0, x1 - x0)))

    def turned_deg(self, other: "Piece") -> float:
        """Angle between the two, 0 to 90 degrees."""
        return abs((other.angle_deg - self.angle_deg + 90) % 180 - 90)

    def is_beside(self, other: "Piece") -> bool:
        """Whether both lie the same way, nearer to each other than they are long."""
        away = other.ends.reshape(2, 2).mean(0) - self.ends.reshape(2, 2).mean(0)
        return self.turned_deg(other) < ALIKE_DEG and float(np.hypot(*away)) < 0.5 * (
            self.length + other.length
        )


def short_trails(calm: Array, at_most: int = 2) -> list[Piece]:
    """The pieces of a flattened picture (h, w) that can only be short trails, longest first; where
    it is covered, the picture is 0."""
    free = calm[::2, ::2]
    free = free[free != 0]
    if free.size < 1000:
        return []
    noise = 1.4826 * median(np.abs(free - median(free)))
    lit = calm > ABOVE_NOISE * noise
    number, count = ndimage.label(lit, EVERYWHERE)
    if count == 0:
        return []
    boxes = _boxes(number, lit, count)
    extent = np.hypot(*(boxes[:, 2:] - boxes[:, :2] - 1.0).T) + 1.0
    candidates = np.flatnonzero(extent >= SHORTEST_CELLS)
    if len(candidates) > CROWD:
        return []
    pieces = [_piece(calm, noise, number, boxes[i], int(i) + 1) for i in candidates]
    others = np.sort(extent[extent >= 2.0])
    usual = float(others[int(0.9 * (len(others) - 1))]) if len(others) > 10 else 2.0
    found = [
        piece
        for piece in pieces
        if piece.is_slender
        and piece.length >= max(SHORTEST_CELLS, STANDS_OUT * usual)
        and _alike(piece, pieces) <= ALIKE
    ]
    return sorted(found, key=lambda piece: -piece.length)[:at_most]


def _alike(piece: Piece, pieces: list[Piece]) -> int:
    """How many pieces, itself too, are about as long and lie the same way."""
    return sum(
        piece.turned_deg(other) < ALIKE_DEG and other.length > 0.5 * piece.length
        for other in pieces
    )


def _boxes(number: Array, lit: Array, count: int) -> Array:
    """(count, 4) first row and column, and ends of both, of each piece of a labelled picture; lit:
    where its numbers are not 0."""
    rows, columns = places(lit)
    own = number[rows, columns]
    # Small numbers are sorted digit by digit, in a tenth of the time.
    order = np.argsort(own.astype(np.min_scalar_type(count)), kind="stable")
    size = np.bincount(own, minlength=count + 1)[1:]
    first = size.cumsum() - size
    rows, columns = rows[order], columns[order]
    return np.stack(
        (
            rows[first],  # the cells of a piece still follow one another row by row
            np.minimum.reduceat(columns, first),
            rows[first + size - 1] + 1,
            np.maximum.reduceat(columns, first) + 1,
        ),
        1,
    )


def _piece(calm: Array, noise: float, number: Array, box: Array, own: int) -> Piece:
    """The piece with a number of a labelled picture, in its box."""
    top, left, bottom, right = box
    inside = slice(top, bottom), slice(left, right)
    rows, columns = np.nonzero(number[inside] == own)
    light = calm[inside] / noise
    snr = float(light[rows, columns].sum()) / len(rows) ** 0.5
    cells = np.stack((columns + left, rows + top), 1).astype(float)
    middle = cells.mean(0)
    _, axes = np.linalg.eigh(np.cov((cells - middle).T) + 1e-9 * np.eye(2))
    along, across = ((cells - middle) @ axes[:, k] for k in (1, 0))
    length = float(np.ptp(along)) + 1.0
    part = ((along - along.min()) / length * PARTS).astype(int).clip(0, PARTS - 1)
    counts = np.bincount(part, minlength=PARTS)
    # Cells to a step along it: how wide it is there.
    widths = counts / (length / PARTS)
    # Cells of a line askew are up to 1.41 apart.
    filled = len(np.unique((along - along.min()) // 1.5)) * 1.5 / length
    # A straight line's cells lie within half its width, give or take the cells themselves; the rim
    # of a ghost bends.
    width = float(np.median(widths))
    plain = _untouched(along, across)
    bend = abs(float(np.polyfit(along[plain], across[plain], 2)[0])) * (length / 2) ** 2
    is_straight = float(across[plain].std()) <= 0.29 * width + 0.5 and bend <= MOST_BENT
    slender = length >= SLENDER * max(width, 1.0) and filled >= FILLED and is_straight
    first, last = (middle + at * axes[:, 1] for at in (along.min(), along.max()))
    return Piece(np.concatenate((first, last)), length, width, snr, slender)


def _untouched(along: Array, across: Array) -> Array:
    """Which cells of a piece tell how straight it is: all, or where a star touches it from one side
    those without it. A knot in its own middle, as a star has on its spike, is a part of it."""
    step = ((along - along.min()) // 3).astype(int)
    many = np.bincount(step)
    plain = many[step] <= WITH_A_STAR * np.median(many[many > 0])
    touched = np.flatnonzero(~plain)
    if len(touched) and abs(across[touched].mean() - across[plain].mean()) > BESIDE:
        return np.asarray(plain)
    return np.ones(len(along), bool)
