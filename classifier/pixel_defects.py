"""Single pixels that no star can make, and the colour mosaic: defects of the sensor's own grid.

A hot pixel stands 10 sigma above the median of its eight same-colour neighbours while the
pixels next to it are at the sky. Stars as narrow as 1.2 px still put 15 % of their peak into
the median of the eight pixels around it, so the two are told apart by that median.
"""

import numpy as np

from classifier.sweeps import lower_median, median, medians, places

Array = np.ndarray

HOT_SIGMA = 10.0
CLIPPED = 0.9866  # standard deviation of a Gaussian cut at 3 sigma
# A star of FWHM 1.2 px puts 6 % of its peak into each diagonal neighbour and 24 % into each of
# the four nearest, so the median of the eight is 15 %; a hot pixel puts nothing there.
NEIGHBOUR_SHARE = 0.05
RING = np.array([(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)])
FAR = np.array([(-4, 0), (4, 0), (0, -4), (0, 4), (-6, 0), (6, 0), (0, -6), (0, 6)])


def pixel_noise(pixels: Array) -> float:
    """Noise per raw pixel in ADU, from second differences over two columns.

    pixels: (H, W) float32. Two columns apart is the same colour on a mosaic, and slopes cancel.
    Differences are clipped at 3 sigma; the standard deviation of the rest is also right for
    integer data, where a median difference would be quantised.
    """
    step = max(1, pixels.shape[0] * pixels.shape[1] // 200_000) | 1  # odd: all rows of a mosaic
    lines = pixels[::step]
    if lines.shape[1] < 5:
        return 0.0
    differences = (lines[:, 4:] - 2 * lines[:, 2:-2] + lines[:, :-4]).ravel()
    if differences.size == 0:
        return 0.0
    size = np.abs(differences)
    spread = 1.4826 * float(lower_median(size))
    differences = differences.astype(np.float64)
    if spread == 0:
        spread = float(np.std(differences))
    squares = differences**2
    for _ in range(4):
        kept = (size <= 3 * spread).astype(np.float64)
        number = float(kept.sum())
        if number == 0 or spread == 0:
            break
        variance = float(kept @ squares) / number - (float(kept @ differences) / number) ** 2
        if variance <= 0:
            break  # integers that seldom leave one level: what is clipped is all their noise
        spread = variance**0.5 / CLIPPED
    return spread / 6**0.5  # 1 + 4 + 1 times the variance of a pixel


def hot_mask(pixels: Array, noise_adu: float, mosaic: bool) -> Array:
    """(H, W) bool, true on hot pixels of a raw frame or window; `mosaic` for colour mosaics."""
    mask = np.zeros(pixels.shape, bool)
    gap = 2 if mosaic else 1
    margin = 6
    height, width = pixels.shape
    if noise_adu <= 0 or min(height, width) < 2 * margin + 4:
        return mask
    # All rows as one line: half of the time of cutting the margin off each of them first.
    line = pixels[margin:-margin].ravel()
    low = np.minimum(line[: -2 * gap], line[2 * gap :])
    np.subtract(line[gap:-gap], low, out=low)
    rows, columns = np.divmod(np.flatnonzero(low > HOT_SIGMA * noise_adu) + gap, width)
    inside = (columns >= margin) & (columns < width - margin)
    rows, columns = rows[inside] + margin, columns[inside]

    same = _at(pixels, rows, columns, gap * RING)
    typical = medians(same, axis=0)
    excess = pixels[rows, columns] - typical
    # In the bright halo of a star the photons' own noise is far above that of the sky.
    spread = medians(np.abs(same - typical), axis=0)
    keep = (excess > HOT_SIGMA * noise_adu) & (excess > HOT_SIGMA * spread)
    rows, columns, excess, typical = rows[keep], columns[keep], excess[keep], typical[keep]
    around = same[:, keep].mean(0)

    # What the sky is here: pixels of the same colour four and six columns and rows away.
    allowed = NEIGHBOUR_SHARE * excess + 0.8 * noise_adu
    sky = medians(_at(pixels, rows, columns, FAR), axis=0)
    # The flank of a narrow star has a few far brighter neighbours; in a hot column two of the
    # eight are as bright, in a clump of four three.
    alone = (typical - sky < allowed) & (around - sky < 0.45 * excess)
    if mosaic:
        near = [
            pixels[rows + dy, columns + dx]
            - medians(_at(pixels, rows + dy, columns + dx, FAR[:4]), axis=0)
            for dy, dx in RING
        ]
        alone &= medians(np.stack(near), axis=0) < allowed
    mask[rows[alone], columns[alone]] = True
    return mask


def without_hot(pixels: Array, mask: Array, mosaic: bool) -> Array:
    """Copy of `pixels` with masked ones replaced by the median of same-colour neighbours."""
    rows, columns = places(mask)
    if not len(rows):
        return pixels
    gap = 2 if mosaic else 1
    filled = pixels.copy()
    filled[rows, columns] = medians(_at(pixels, rows, columns, gap * RING), axis=0)
    return filled


def is_mosaic(pixels: Array, noise_adu: float) -> bool:
    """Whether a frame without a header about it carries a 2 x 2 colour mosaic.

    The medians of the four planes must differ by more than half the noise, and two planes on a
    diagonal (the greens) must agree better than a third of that: odd-even columns of a
    monochrome sensor make pairs along a side, not along a diagonal.
    """
    planes = [pixels[dy::2, dx::2] for dy in (0, 1) for dx in (0, 1)]
    # Differences inside small blocks, so that gradients and nebulae cancel.
    height, width = (min(plane.shape[axis] for plane in planes) for axis in (0, 1))
    if min(height, width) < 8 or noise_adu <= 0:
        return False
    step = max(1, height * width // 30_000)
    first = planes[0][:height:step, :width]
    offsets = [0.0] + [median(plane[:height:step, :width] - first) for plane in planes[1:]]
    spread = max(offsets) - min(offsets)
    diagonal = min(abs(offsets[0] - offsets[3]), abs(offsets[1] - offsets[2]))
    sides = (
        abs(offsets[0] - offsets[1]),
        abs(offsets[2] - offsets[3]),
        abs(offsets[0] - offsets[2]),
        abs(offsets[1] - offsets[3]),
    )
    return spread > 0.5 * noise_adu and diagonal < spread / 3 and min(sides) > 0.3 * noise_adu


def _at(pixels: Array, rows: Array, columns: Array, offsets: Array) -> Array:
    """(k, n) pixels at (k, 2) offsets of row and column from n places, the nearest ones of the
    frame."""
    height, width = pixels.shape
    rows, columns = (
        np.clip(places + offsets[:, k, None], 0, side - 1)
        for k, (places, side) in enumerate(((rows, height), (columns, width)))
    )
    return pixels[rows, columns]
