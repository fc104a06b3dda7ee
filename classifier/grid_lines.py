"""Lines along pixel columns or rows, or nearly so: where the search over all lines is blind.

That search takes the median out of every row and column first, as most of what lies along them
belongs to the sensor, and a trail that does goes with it. Here the columns themselves are summed,
in strips of the height laid over one another with a slope of up to `MOST_SLOPE` cells from end to
end. What is found may well be the sensor's: `pixel_lines` tells.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage

from classifier.sweeps import lower_median

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
    cut = np.ascontiguousarray(calm[: rows * STRIPS]).reshape(STRIPS, rows, width)
    light, counts = cut.sum(1), (cut != 0).sum(1, dtype=np.float32)
    # Between two slopes a line is never farther than half a cell from the one or the other.
    slopes = np.arange(-MOST_SLOPE, MOST_SLOPE + 1, 2)
    windows = [
        (start, start + length)
        for length in LENGTHS
        for start in range(0, STRIPS - length + 1, length // 2)
    ]
    snr = _snr(_windowed(_sheared(_sections(light, counts), slopes)))
    return _peaks(snr, slopes, windows, rows, threshold)


def _sections(light: Array, counts: Array) -> Array:
    """(strips, columns) light and numbers of cells -> (kinds, strips, columns): the numbers, then
    for every section the light under it, the sky beside taken out, and the squares of its weights.

    All this is done before strips are added up: there are a tenth as many as lines.
    """
    rest = light - counts * _beside(light) / np.maximum(_beside(counts), 1e-9)
    kinds = [counts]
    for section in SECTIONS:
        reach = int(np.ceil(4 * section))
        weight = np.exp(-0.5 * (np.arange(-reach, reach + 1) / section) ** 2)
        kinds.append(ndimage.correlate1d(rest, weight, axis=1, mode="constant"))
        kinds.append(ndimage.correlate1d(counts, weight**2, axis=1, mode="constant"))
    return np.stack(kinds)


def _beside(values: Array) -> Array:
    """Mean of the cells to both sides, without those of a line in the middle."""
    outer, inner = 2 * BESIDE[1] + 1, 2 * BESIDE[0] + 1
    whole, core = (
        size * ndimage.uniform_filter1d(values, size, axis=1, mode="nearest")
        for size in (outer, inner)
    )
    return (whole - core) / (outer - inner)


def _sheared(kinds: Array, slopes: Array) -> Array:
    """(kinds, strips, columns) -> (kinds, slopes, pairs of strips, columns in which a line of that
    slope begins): the sums of the two strips of a pair."""
    strips, width = kinds.shape[1:]
    wide = np.pad(kinds, ((0, 0), (0, 0), (MOST_SLOPE, MOST_SLOPE)))
    share = (np.arange(strips) + 0.5) / strips
    shift = MOST_SLOPE + np.rint(slopes[:, None] * share).astype(int)
    moved = sliding_window_view(wide, width, axis=2)[:, np.arange(strips), shift]
    return moved[:, :, 0::2] + moved[:, :, 1::2]


def _windowed(pairs: Array) -> Array:
    """Sums over windows of strips, the longest first, each length moved on by half of itself."""
    sums = [pairs[:, :, :-1] + pairs[:, :, 1:]]
    while sums[-1].shape[2] > 1:
        sums.append(sums[-1][:, :, :-2:2] + sums[-1][:, :, 2::2])
    return np.concatenate(sums[::-1], 2)


def _snr(sums: Array) -> Array:
    """(kinds, slopes, windows, columns) -> S/N of the best section, in units of what lines of the
    middle slope scatter if that is more than noise."""
    counts, best = sums[0], np.full(sums.shape[1:], -np.inf, np.float32)
    for under, square in zip(sums[1::2], sums[2::2], strict=True):
        one = under / np.sqrt(np.maximum(square, 1e-9))
        spread = 1.4826 * lower_median(np.abs(one[len(one) // 2]))[None, :, None]
        best = np.maximum(best, one / np.maximum(spread, np.float32(1)))
    return np.where(counts >= 0.5 * counts.max(2, keepdims=True), best, -np.inf)


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
