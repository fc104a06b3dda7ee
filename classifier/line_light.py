"""The light along a line that was found, weighed by the line's own cross-section.

A search over all lines sums cells of one width, clipped and high-passed, and so reaches but half
of what is there: 0.4 to 0.6 of the matched filter's S/N on painted trails. Once the line is
known, the sum that a matched filter makes along it is cheap, and it is what the fault counts in.
"""

from functools import cache

import numpy as np

from classifier.sweeps import median

Array = np.ndarray

SECTIONS = (0.7, 1.2, 2.0, 3.5)  # Gaussian sigma in cells; within 5 % of the best in between
SIDES = 4.0, 12.0  # where the surroundings are taken, in cells beyond the line's own light
CLIP_SIGMA = 3.0
REACH_SIGMA = 5.0  # of the cross-section; the weight beyond is below 4e-6
ASIDE = 40  # cells to both sides in which sums along parallel lines tell how uneven the sky is
FINE = 8  # steps of a cell that distances aside are told in
PLACES = 2 * ASIDE * FINE
DISTANCE = np.abs((np.arange(PLACES) + 0.5) / FINE - ASIDE)
UNEVEN = 1.3  # their scatter in units of the noise, which 25 of them know to 15 %
PARTS = 8  # of the length; the brightest is left out, for one bright spot makes no line


def line_snr(calm: Array, ends: Array) -> float:
    """S/N of the light along x0, y0, x1, y1 in a flattened picture, by the best of `SECTIONS`.

    calm: (h, w), 0 on cells that are covered. ends: in its cells, centre of the first at (0, 0).
    With cells of independent noise sigma an even line of Gaussian section s, height A and length
    L gives (A / sigma) sqrt(L s sqrt(pi)).
    """
    x0, y0, x1, y1 = (float(v) for v in ends)
    length = float(np.hypot(x1 - x0, y1 - y0))
    free = calm.ravel()[:: 1 + calm.size // 50_000]
    free = free[free != 0]
    noise = 1.4826 * median(np.abs(free - median(free))) if free.size else 0.0
    if length < 1 or noise <= 0:
        return 0.0
    cells, aside, along = _beside(calm, (x0, y0), ((x1 - x0) / length, (y1 - y0) / length), length)
    light = np.clip(cells / noise, -CLIP_SIGMA, CLIP_SIGMA)
    # All that is asked of the cells depends on their part of the length and distance aside.
    part = (along * (PARTS / length)).astype(int).clip(0, PARTS - 1)
    place = ((aside + ASIDE) * FINE).astype(int).clip(0, PLACES - 1)
    index, size = part * PLACES + place, PARTS * PLACES
    sums = np.bincount(index, light, size).reshape(PARTS, PLACES)
    counts = np.bincount(index, minlength=size).reshape(PARTS, PLACES)
    total, number = _whole_distances(sums.sum(0)), _whole_distances(counts.sum(0))
    return max(_matched(sums, counts, one) / _unevenness(total, number, one) for one in SECTIONS)


def _beside(
    calm: Array, start: tuple[float, float], unit: tuple[float, float], length: float
) -> tuple[Array, Array, Array]:
    """(n,) float32 cells at most `ASIDE` to the sides of a line that are not covered, how far aside
    they lie, and how far along. unit: (x, y) of length 1 along the line."""
    (x0, y0), (ux, uy) = start, unit
    if abs(ux) > abs(uy):
        cells, aside, along = _beside(calm.T, (y0, x0), (uy, ux), length)
        return cells, -aside, along
    height, width = calm.shape
    # Row by row only the columns about the line are looked at: a fifth of the picture.
    rows = np.arange(max(0, int(min(y0, y0 + length * uy)) - ASIDE), height)
    rows = rows[: int(abs(length * uy)) + 2 * ASIDE + 2]
    middle = np.rint(x0 + (rows - y0) * (ux / uy)).astype(int)
    reach = int(ASIDE / abs(uy)) + 1
    columns = middle[:, None] + np.arange(-reach, reach + 1)
    x, y = (columns - x0).astype(np.float32), (rows - y0)[:, None].astype(np.float32)
    aside, along = x * uy - y * ux, x * ux + y * uy
    cells = calm[rows[:, None], columns.clip(0, width - 1)]
    near = (columns >= 0) & (columns < width) & (np.abs(aside) < ASIDE) & (cells != 0)
    near &= (along >= 0) & (along < length)
    at = np.flatnonzero(near)
    return cells.ravel()[at], aside.ravel()[at], along.ravel()[at]


def _matched(light: Array, counts: Array, section: float) -> float:
    """S/N under one cross-section, from all parts of the length but the brightest.

    light, counts: (PARTS, PLACES) sums and numbers of the cells.
    """
    off = DISTANCE
    beside = (off > 3 * section + SIDES[0] / 2) & (off < 3 * section + SIDES[1])
    number = counts[:, beside].sum()
    if not number:
        return 0.0
    sides = light[:, beside].sum() / number
    weight = np.exp(-0.5 * (off / section) ** 2) * (off < REACH_SIGMA * section)
    sums, squares = (light - sides * counts) @ weight, counts @ weight**2
    seen = squares > 0
    if seen.sum() < PARTS // 2:
        return 0.0
    each = np.where(seen, sums / np.sqrt(np.where(seen, squares, 1.0)), -np.inf)
    kept = np.arange(PARTS) != int(each.argmax())
    # An even line loses no more than its share of the length, which is given back.
    whole = squares.sum() / squares[kept].sum()
    return float(sums[kept].sum() / np.sqrt(squares[kept].sum()) * np.sqrt(whole))


def _whole_distances(values: Array) -> Array:
    """(PLACES,) -> (2 ASIDE + 1,) sums over what is nearest to each whole distance aside."""
    return np.pad(values, FINE // 2).reshape(2 * ASIDE + 1, FINE).sum(1)


def _unevenness(total: Array, counts: Array, section: float) -> float:
    """Scatter of the same sum along parallel lines, in units of what noise makes of it.

    total, counts: (2 ASIDE + 1,) light and number of the cells at each whole distance aside.
    Ridges of cloud and of nebulae are long and straight enough to look like a trail; they do not
    come alone.
    """
    mean = total.sum() / max(counts.sum(), 1)
    weight, squares, aside = _parallel(section)
    sums = weight @ (total - mean * counts) / np.sqrt(np.maximum(squares @ counts, 1e-9))
    aside = aside & (counts > 0)
    scatter = float(np.std(sums[aside])) if aside.any() else 1.0
    return scatter if scatter > UNEVEN else 1.0


@cache
def _parallel(section: float) -> tuple[Array, Array, Array]:
    """(lines, distances) weights of parallel lines at all whole distances aside and their squares;
    which of these lines share no light with the one in the middle."""
    places = np.arange(2 * ASIDE + 1)
    weight = np.exp(-0.5 * ((places[:, None] - places[None]) / section) ** 2)
    return weight, weight**2, np.abs(places - ASIDE) > 3 * section + SIDES[0]
