"""Lines along pixel columns or rows, or nearly so: where the search over all lines is blind.

That search takes the median out of every row and column first, as most of what lies along them
belongs to the sensor, and a trail that does goes with it. Here the columns themselves are summed,
in strips of the height laid over one another with a slope of up to `MOST_SLOPE` cells from end to
end. What is found may well be the sensor's: `pixel_lines` tells.
"""

import numpy as np
from scipy import ndimage

Array = np.ndarray

STRIPS = 16
MOST_SLOPE = 10
LENGTHS = (16, 8, 4)  # strips of a line: the whole height, a half, a quarter
SECTIONS = (0.7, 1.5, 3.0)  # Gaussian sigma in cells
BESIDE = 6, 24  # cells to both sides whose mean is taken for the sky there
APART = 4  # cells
EDGE = 8  # cells: whatever cut, turned or shifted the frame left lines along its edges
MOST_LINES = 8
LEAST_SIDE = 64


def grid_lines(calm: Array, threshold: float) -> list[tuple[Array, float]]:
    """Lines above `threshold` within some degrees of the vertical, then of the horizontal, each
    with its S/N; at most `MOST_LINES` of each, the clearest first.

    calm: (h, w) float32 in units of its noise, 0 on cells that are covered. Ends are x0, y0, x1,
    y1 in its cells, the centre of the first at (0, 0).
    """
    if min(calm.shape) < LEAST_SIDE:
        return []
    turned = [(ends[[1, 0, 3, 2]], snr) for ends, snr in _steep(calm.T, threshold)]
    return _steep(calm, threshold) + turned


def _steep(calm: Array, threshold: float) -> list[tuple[Array, float]]:
    height, width = calm.shape
    rows = height // STRIPS
    cut = calm[: rows * STRIPS].reshape(STRIPS, rows, width)
    light, counts = cut.sum(1), (cut != 0).sum(1).astype(np.float32)
    # Between two slopes a line is never farther than half a cell from the one or the other.
    slopes = np.arange(-MOST_SLOPE, MOST_SLOPE + 1, 2)
    middle = (np.arange(STRIPS) + 0.5) / STRIPS
    shift = np.rint(slopes[:, None] * middle).astype(int)
    column = np.arange(width)[None, None] + shift[..., None]
    inside = (column >= 0) & (column < width)
    strip = np.arange(STRIPS)[None, :, None]
    at = strip, column.clip(0, width - 1)
    # Columns in which a line of each slope begins, strips added up from the top.
    light, counts = (
        np.where(inside, each[at], np.float32(0)).cumsum(1) for each in (light, counts)
    )
    light, counts = (np.pad(each, ((0, 0), (1, 0), (0, 0))) for each in (light, counts))
    windows = [
        (start, start + length)
        for length in LENGTHS
        for start in range(0, STRIPS - length + 1, length // 2)
    ]
    first, last = (np.array(each) for each in zip(*windows, strict=True))
    snr = _snr(light[:, last] - light[:, first], counts[:, last] - counts[:, first])
    return _peaks(snr, slopes, windows, rows, threshold)


def _snr(light: Array, counts: Array) -> Array:
    """(slopes, windows, columns) sums and numbers of cells -> S/N of the best section, in units
    of what lines of the middle slope scatter if that is more than noise."""
    best = np.full(light.shape, -np.inf, np.float32)
    rest = light - counts * _beside(light) / np.maximum(_beside(counts), 1e-9)
    needed = 0.5 * counts.max(2, keepdims=True)
    for section in SECTIONS:
        reach = int(np.ceil(4 * section))
        weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) / section) ** 2)
        under = ndimage.correlate1d(rest, weight, axis=2, mode="constant")
        square = ndimage.correlate1d(counts, weight**2, axis=2, mode="constant")
        one = under / np.sqrt(np.maximum(square, 1e-9))
        spread = 1.4826 * np.median(np.abs(one[len(one) // 2]), axis=1)[None, :, None]
        best = np.maximum(best, one / np.maximum(spread, 1.0))
    return np.where(counts >= needed, best, -np.inf)


def _beside(values: Array) -> Array:
    """Mean of the cells to both sides, without those of a line in the middle."""
    outer, inner = 2 * BESIDE[1] + 1, 2 * BESIDE[0] + 1
    whole, core = (
        size * ndimage.uniform_filter1d(values, size, axis=2, mode="nearest")
        for size in (outer, inner)
    )
    return (whole - core) / (outer - inner)


def _peaks(
    snr: Array, slopes: Array, windows: list[tuple[int, int]], rows: int, threshold: float
) -> list[tuple[Array, float]]:
    found: list[tuple[Array, float]] = []
    snr[..., :EDGE] = snr[..., snr.shape[2] - EDGE :] = -np.inf
    half = np.array([(first + last) / 2 / STRIPS for first, last in windows])
    places = np.arange(snr.shape[2]) + slopes[:, None, None] * half[None, :, None]
    for _ in range(MOST_LINES):
        slope, window, column = np.unravel_index(int(snr.argmax()), snr.shape)
        value = float(snr[slope, window, column])
        if value < threshold:
            break
        first, last = (each / STRIPS for each in windows[window])
        x0, x1 = (column + slopes[slope] * share for share in (first, last))
        y0, y1 = first * STRIPS * rows - 0.5, last * STRIPS * rows - 0.5
        found.append((np.array([x0, y0, x1, y1], float), value))
        # Other lines over the same place are this one again.
        near = np.abs(places - (column + slopes[slope] * half[None, :, None])) < APART
        snr = np.where(near, -np.inf, snr)
    return found
