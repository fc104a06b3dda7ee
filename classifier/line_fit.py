"""A line that a search found, laid where its light is: its place to a fraction of a cell, its ends.

The search works on strips of a shrunken picture, and its lines are digital ones: they leave the
true one by a cell or two, go on where a short trail has ended, and stop at the strip's edge where
a long one has not. Here the line's two ends are moved sideways over a finer picture until the most
light lies under it, and along it until they hold what is lit and no more.
"""

from dataclasses import dataclass

import numpy as np

Array = np.ndarray

PARTS = 32
ROUNDS = 5
SECTIONS = (1.0, 2.0, 3.5)  # tried widths, in units of the section given
PLACES = 21  # tried for each of the two ends
WIDEST = 6.0  # px: the largest Gaussian sigma that is told from twice as much
NEARLY = 0.93  # the S/N of a line drawn 15 % too long
SHORTEST = 0.45  # of the line found: two stars and a little noise make a shorter one
GLARE = 3.0  # times the usual light of a part: more is not of the trail


@dataclass(frozen=True)
class FinePicture:
    """light: (h, w) float32 in units of its noise, flattened and clipped. covered: (h / step,
    w / step) bool of cells that count for nothing. step: side of a cell in pixels of `light`."""

    light: Array
    covered: Array
    step: int

    def from_cells(self, ends: Array) -> Array:
        """Coordinates in cells -> in pixels of `light`."""
        return (np.asarray(ends, float) + 0.5) * self.step - 0.5

    def to_cells(self, ends: Array) -> Array:
        """Coordinates in pixels of `light` -> in cells."""
        return (np.asarray(ends, float) + 0.5) / self.step - 0.5


def fit_line(fine: FinePicture, ends: Array, section: float) -> Array:
    """x0, y0, x1, y1 of a found line -> of the light along it, all in pixels of `fine.light`.

    section: Gaussian sigma of the narrowest line looked for, in the same pixels.
    """
    line = np.asarray(ends, float)
    section = min(section, WIDEST)
    beyond = 3.0 * section
    least = SHORTEST * float(np.hypot(*(line[2:] - line[:2])))
    for number in range(ROUNDS):
        # Once the line lies nearly right, it is looked for nearer by and more closely.
        reach = beyond + max((2.0 * fine.step + section) / 2**number, 1.5)
        longer = _stretched(line, fine.light.shape)
        profiles = _profiles(fine, longer, reach)
        if profiles is None:
            return line
        moved = _moved(*profiles, _share(longer, line), longer, reach, section, least)
        if number and np.abs(moved - line).max() < 1.0:
            return moved
        line = moved
    return line


def _stretched(line: Array, shape: tuple[int, ...]) -> Array:
    """The line with half its length added at both ends, as far as the picture goes."""
    start, step = line[:2], line[2:] - line[:2]
    limit = np.array([shape[1] - 1.0, shape[0] - 1.0])
    low, high = -0.5, 1.5
    for k in (0, 1):
        if abs(step[k]) > 1e-9:
            cuts = sorted((-start[k] / step[k], (limit[k] - start[k]) / step[k]))
            low, high = max(low, cuts[0]), min(high, cuts[1])
    if low >= high:
        return line
    return np.concatenate((start + low * step, start + high * step))


def _share(longer: Array, line: Array) -> tuple[float, float]:
    """Where the line begins and ends along the longer one, 0 to 1."""
    step = longer[2:] - longer[:2]
    length2 = max(float(step @ step), 1e-9)
    begin, end = (float((line[k : k + 2] - longer[:2]) @ step) / length2 for k in (0, 2))
    return begin, end


def _profiles(fine: FinePicture, line: Array, reach: float) -> tuple[Array, Array, Array] | None:
    """(PARTS, n) sums of the light and numbers of the pixels by part of the length and by
    distance aside, and the (n,) distances, about -reach to reach in steps of one pixel."""
    length = float(np.hypot(line[2] - line[0], line[3] - line[1]))
    if length < 2 * PARTS:
        return None
    count = round(length)
    t = (np.arange(count) + 0.5) / count
    aside = np.arange(-round(reach), round(reach) + 1)
    nx, ny = -(line[3] - line[1]) / length, (line[2] - line[0]) / length
    at_x = line[0] + t[:, None] * (line[2] - line[0]) + aside * nx
    at_y = line[1] + t[:, None] * (line[3] - line[1]) + aside * ny
    x, y = np.rint(at_x).astype(int), np.rint(at_y).astype(int)
    # Along a column the nearest pixels all lie to the same side of the places asked for.
    away = aside + ((x - at_x) * nx + (y - at_y) * ny).mean(0)
    height, width = fine.light.shape
    high, wide = fine.covered.shape
    row, column = y // fine.step, x // fine.step
    seen = (x >= 0) & (y >= 0) & (x < width) & (y < height) & (row < high) & (column < wide)
    seen &= ~fine.covered[row.clip(0, high - 1), column.clip(0, wide - 1)]
    light = np.where(seen, fine.light[y.clip(0, height - 1), x.clip(0, width - 1)], 0.0)
    edges = (np.arange(PARTS) * count) // PARTS
    sums, counts = (np.add.reduceat(each, edges, axis=0, dtype=float) for each in (light, seen))
    return sums, counts, away


def _moved(
    sums: Array,
    counts: Array,
    aside: Array,
    share: tuple[float, float],
    line: Array,
    reach: float,
    section: float,
    least: float,
) -> Array:
    """The line with both ends moved aside to the most light, and cut to its lit part, which is no
    shorter than `least`."""
    places = np.linspace(3 * section - reach, reach - 3 * section, PLACES)
    middle = (np.arange(PARTS) + 0.5) / PARTS
    inside = (middle >= share[0]) & (middle <= share[1])
    if inside.sum() < 2:
        inside[:] = True
    # Place of each part for every pair of offsets of the two ends, as an index of `places`.
    pairs = np.arange(len(places))
    track = pairs[:, None, None] * (1 - middle) + pairs[None, :, None] * middle
    track = np.rint(track).astype(int)
    level = sums.sum() / max(counts.sum(), 1.0)
    best: tuple[float, Array, Array, int, int] | None = None
    for width in SECTIONS:
        weight = np.exp(-0.5 * ((aside - places[:, None]) / (width * section)) ** 2)
        light, norm = (sums - level * counts) @ weight.T, counts @ (weight**2).T
        usual = np.sqrt(np.median(norm[inside]) + 1e-9)
        limit = GLARE * max(float(np.median(light[inside].max(1) / usual)), 1.0) * usual
        light = np.minimum(light, limit)
        at = np.arange(PARTS)[inside]
        total = light[at, track[..., at]].sum(2) / np.sqrt(norm[at, track[..., at]].sum(2) + 1e-9)
        first, last = np.unravel_index(int(total.argmax()), total.shape)
        if best is None or total[first, last] > best[0]:
            path = track[first, last]
            chosen = light[np.arange(PARTS), path], norm[np.arange(PARTS), path]
            best = (float(total[first, last]), *chosen, int(first), int(last))
    assert best is not None
    length = float(np.hypot(line[2] - line[0], line[3] - line[1]))
    begin, end = _lit(best[1], best[2], min(PARTS, max(2, round(least / length * PARTS))))
    normal = np.array([-(line[3] - line[1]), line[2] - line[0]]) / length
    step = line[2:] - line[:2]
    offsets = places[best[3]], places[best[4]]
    return np.concatenate(
        [
            line[:2] + t * step + (offsets[0] * (1 - t) + offsets[1] * t) * normal
            for t in (begin / PARTS, end / PARTS)
        ]
    )


def _lit(light: Array, norm: Array, least: int) -> tuple[int, int]:
    """First part and end of the longest run of `least` parts or more whose S/N is close to the
    highest of any: the dark between flashes belongs to a trail, and the faint ends of a faint one.
    """
    sums = np.concatenate(([0.0], np.cumsum(light)))
    norms = np.concatenate(([0.0], np.cumsum(norm)))
    run = (sums[None] - sums[:, None]) / np.sqrt(np.maximum(norms[None] - norms[:, None], 1e-9))
    start, stop = np.indices(run.shape)
    run[stop - start < least] = -np.inf
    if run.max() <= 0:
        return 0, PARTS
    length = np.where(run >= NEARLY * run.max(), stop - start, 0)
    longest = np.where(length == length.max(), run, -np.inf)
    first, end = np.unravel_index(int(longest.argmax()), run.shape)
    return int(first), int(end)
