"""Round edges in a picture of the sky: where slopes all round a circle point to its middle.

    for scale in scales(flat, free):
        circles(scale)

A Hough transform over radii, made of correlations. Each cell has one vote at most, whatever the
height of its slope, and gives it to the places that the slope points to (a bright disc) or away
from (a dark one): a bright star or the rim of a nebula outweighs nothing. Radii of 5 to 9 cells are
tried on the picture, then on the picture at half of its size, and so on, so that large faint discs
are looked for where noise is averaged. Cells under stars have no vote. Circles may lie partly
outside the picture.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from classifier.frame_overview import block_means
from classifier.sweeps import median

Array = np.ndarray

RADII = (5.0, 5.65, 6.4, 7.2, 8.15, 9.2)
MIDDLE = 7.2
REACH = 11  # cells from a centre to the outermost voter
LEAST_CELLS = 9  # shorter side of the smallest picture
LEAST_FREE = 0.3  # share of a cell that must be free of stars for its vote
LEAST_SEEN = 0.25  # a circle of which less is seen counts as if so much were
LEAST_VOTES = 3.4  # standard deviations of chance votes
MOST = 6  # circles of each sign and scale
SOFT = 2.25  # a slope so many times the usual square has 0.7 of a whole vote
USUAL_OF = 20_000  # slopes, evenly spread, that tell their usual square


@dataclass(frozen=True)
class Scale:
    """The picture at one size. light: (h, w) float32, mean of what is free of stars, 0 where
    nothing is. free: (h, w) float32, the share that is free. step: cells of the first picture to a
    side of one cell."""

    light: Array
    free: Array
    step: int

    def to_scale(self, place: Array) -> Array:
        """Coordinates in the first picture -> in this one."""
        return (place + 0.5) / self.step - 0.5

    def to_first(self, place: Array) -> Array:
        """Coordinates in this picture -> in the first one."""
        return (place + 0.5) * self.step - 0.5


@dataclass(frozen=True)
class Circle:
    """A circle with votes all round. sign: 1 brighter inside, -1 darker. x, y, radius: in cells of
    the first picture. votes: in standard deviations of chance votes."""

    sign: int
    x: float
    y: float
    radius: float
    votes: float


def scales(flat: Array, free: Array) -> list[Scale]:
    """(h, w) sky less its slow part, and bool where no star hides it -> the same at sizes halved
    again and again, without what is bright and smaller than 3 cells."""
    low = _of_3x3(np.minimum, np.where(free, flat, np.float32(np.inf)))
    low[np.isinf(low)] = -np.inf
    opened = _of_3x3(np.maximum, low)
    weight = free.astype(np.float32)
    total, step, found = np.where(free, opened, np.float32(0)), 1, []
    while min(total.shape) >= LEAST_CELLS:
        light = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0.05)
        found.append(Scale(light, weight, step))
        total, weight, step = block_means(total, 2), block_means(weight, 2), 2 * step
    return found


def _of_3x3(most: np.ufunc, picture: Array) -> Array:
    """Minimum or maximum of the 3 x 3 round each value, fewer at the edges: as SciPy's filters give
    it, in a tenth of their time."""
    for axis in (0, 1):
        lines = picture.swapaxes(0, axis)
        out = lines.copy(order="K")
        most(out[1:], lines[:-1], out=out[1:])
        most(out[:-1], lines[1:], out=out[:-1])
        picture = out.swapaxes(0, axis)
    return picture


def circles(scale: Scale) -> list[Circle]:
    """The circles with the most votes, at most 6 bright and 6 dark ones."""
    across, down, voters = _votes(scale)
    high, wide = (fft.next_fast_len(side + 2 * REACH, real=True) for side in voters.shape)
    shape = high, wide

    def transformed(picture: Array) -> Array:
        wider = np.zeros(shape, np.float32)
        wider[REACH : REACH + picture.shape[0], REACH : REACH + picture.shape[1]] = picture
        return fft.rfft2(wider, workers=1)

    x, y = transformed(across), transformed(down)
    seen = fft.irfft2(transformed(voters) * _ring(shape), s=shape, workers=1)
    votes, most, least = [], np.full(shape, -np.inf, np.float32), np.full(shape, np.inf, np.float32)
    for radius in RADII:
        to_x, to_y = _spokes(shape, radius)
        own = fft.irfft2(x * to_x + y * to_y, s=shape, workers=1)
        np.maximum(most, own, out=most)
        np.minimum(least, own, out=least)
        votes.append(own)
    unit = 1 / np.sqrt(np.maximum(seen, LEAST_SEEN))
    bright, dark = most * unit, -least * unit
    return [*_peaks(bright, votes, 1, scale), *_peaks(dark, votes, -1, scale)]


def _peaks(most: Array, votes: list[Array], sign: int, scale: Scale) -> list[Circle]:
    """The highest places of (h, w) `most`, each with the radius that has most of `votes`."""
    found = []
    for _ in range(MOST):
        row, column = np.unravel_index(int(most.argmax()), most.shape)
        highest = float(most[row, column])
        if highest < LEAST_VOTES:
            break
        radius = RADII[int(np.argmax([sign * own[row, column] for own in votes]))]
        x, y = scale.to_first(np.array([column, row]) - REACH)
        found.append(Circle(sign, float(x), float(y), radius * scale.step, highest))
        near = int(0.6 * radius)
        most[max(0, row - near) : row + near + 1, max(0, column - near) : column + near + 1] = 0
    return found


def _votes(scale: Scale) -> tuple[Array, Array, Array]:
    """(h, w) x and y of each cell's vote, of length under 1, and 1 where a cell may vote."""
    weight = _blurred(scale.free)
    light = _blurred(scale.light * scale.free) / np.maximum(weight, 1e-3)
    across, down = np.zeros_like(light), np.zeros_like(light)
    across[:, 1:-1] = light[:, 2:] - light[:, :-2]
    down[1:-1] = light[2:] - light[:-2]
    voters = (weight > 0.4) & (scale.free > LEAST_FREE)
    voters[0] = voters[-1] = voters[:, 0] = voters[:, -1] = False
    squared = across**2 + down**2
    # The median of squares of noise is 1.39 of its variance per axis.
    some = squared[voters]
    some = some[:: some.size // USUAL_OF | 1]
    usual = median(some) / 1.39 if some.size else 1.0
    share = voters / np.sqrt(squared + SOFT * usual + 1e-30)
    return across * share, down * share, voters.astype(np.float32)


def _blurred(picture: Array) -> Array:
    """(h, w) under the binomial weights 1 4 6 4 1 both ways, edges repeated: sums of neighbours,
    four times, a fifth of the time of a convolution."""
    sums = np.pad(picture, 2, mode="edge")
    for _ in range(4):
        sums = sums[1:] + sums[:-1]
    for _ in range(4):
        sums = sums[:, 1:] + sums[:, :-1]
    sums *= np.float32(1 / 256)
    return sums


@lru_cache(maxsize=48)
def _spokes(shape: tuple[int, int], radius: float) -> tuple[Array, Array]:
    """Transforms of what the votes of a circle's cells count for its middle, in standard deviations
    of chance votes of length 1."""
    dx, dy, weight = _circle(radius)
    scale = -np.sqrt(2 * np.pi * radius) * weight / np.maximum(np.hypot(dx, dy), 1e-6)
    return _transformed(shape, scale * dx), _transformed(shape, scale * dy)


@lru_cache(maxsize=8)
def _ring(shape: tuple[int, int]) -> Array:
    """Transform of the mean over a circle of middle size."""
    return _transformed(shape, _circle(MIDDLE)[2])


def _circle(radius: float) -> tuple[Array, Array, Array]:
    axis = np.arange(-REACH, REACH + 1)
    dx, dy = np.meshgrid(axis, axis)
    weight = np.clip(1.25 - np.abs(np.hypot(dx, dy) - radius), 0, 1)
    return dx, dy, weight / weight.sum()


def _transformed(shape: tuple[int, int], kernel: Array) -> Array:
    full = np.zeros(shape, np.float32)
    full[: kernel.shape[0], : kernel.shape[1]] = kernel
    return np.conj(fft.rfft2(np.roll(full, (-REACH, -REACH), (0, 1)), workers=1))
