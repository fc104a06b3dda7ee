"""The light along a line that was found, weighed by the line's own cross-section.

A search over all lines sums cells of one width, clipped and high-passed, and so reaches but half
of what is there: 0.4 to 0.6 of the matched filter's S/N on painted trails. Once the line is
known, the sum that a matched filter makes along it is cheap, and it is what the fault counts in.
"""

import numpy as np

from classifier.sweeps import median

Array = np.ndarray

SECTIONS = (0.7, 1.2, 2.0, 3.5)  # Gaussian sigma in cells; within 5 % of the best in between
SIDES = 4.0, 12.0  # where the surroundings are taken, in cells beyond the line's own light
CLIP_SIGMA = 3.0
REACH_SIGMA = 5.0  # of the cross-section; the weight beyond is below 4e-6
ASIDE = 40  # cells to both sides in which sums along parallel lines tell how uneven the sky is
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
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    x = np.arange(calm.shape[1], dtype=np.float32)[None] - np.float32(x0)
    y = np.arange(calm.shape[0], dtype=np.float32)[:, None] - np.float32(y0)
    off, along = x * uy - y * ux, x * ux + y * uy
    near = (np.abs(off) < ASIDE) & (along >= 0) & (along < length) & (calm != 0)
    at = np.flatnonzero(near)
    light = np.clip(calm.ravel()[at] / noise, -CLIP_SIGMA, CLIP_SIGMA).astype(np.float64)
    part = (along.ravel()[at] * (PARTS / length)).astype(int).clip(0, PARTS - 1)
    signed = off.ravel()[at].astype(np.float64)
    bins = np.rint(signed).astype(int) + ASIDE
    counts = np.bincount(bins, minlength=2 * ASIDE + 1)
    sums = np.bincount(bins, light, 2 * ASIDE + 1)
    return max(
        _matched(light, np.abs(signed), part, one) / _unevenness(sums, counts, one)
        for one in SECTIONS
    )


def _matched(light: Array, off: Array, part: Array, section: float) -> float:
    """S/N under one cross-section, from all parts of the length but the brightest."""
    beside = (off > 3 * section + SIDES[0] / 2) & (off < 3 * section + SIDES[1])
    if not beside.any():
        return 0.0
    under = np.flatnonzero(off < REACH_SIGMA * section)
    weight = np.exp(-0.5 * (off[under] / section) ** 2)
    sums = np.bincount(part[under], weight * (light[under] - light[beside].mean()), PARTS)
    squares = np.bincount(part[under], weight**2, PARTS)
    seen = squares > 0
    if seen.sum() < PARTS // 2:
        return 0.0
    each = np.where(seen, sums / np.sqrt(np.where(seen, squares, 1.0)), -np.inf)
    kept = np.arange(PARTS) != int(each.argmax())
    # An even line loses no more than its share of the length, which is given back.
    whole = squares.sum() / squares[kept].sum()
    return float(sums[kept].sum() / np.sqrt(squares[kept].sum()) * np.sqrt(whole))


def _unevenness(total: Array, counts: Array, section: float) -> float:
    """Scatter of the same sum along parallel lines, in units of what noise makes of it.

    total, counts: (2 ASIDE + 1,) light and number of the cells at each whole distance aside.
    Ridges of cloud and of nebulae are long and straight enough to look like a trail; they do not
    come alone.
    """
    places = np.arange(2 * ASIDE + 1)
    weight = np.exp(-0.5 * ((places[:, None] - places[None]) / section) ** 2)
    mean = total.sum() / max(counts.sum(), 1)
    sums = weight @ (total - mean * counts) / np.sqrt(np.maximum(weight**2 @ counts, 1e-9))
    aside = (np.abs(places - ASIDE) > 3 * section + SIDES[0]) & (counts > 0)
    scatter = float(np.std(sums[aside])) if aside.any() else 1.0
    return scatter if scatter > UNEVEN else 1.0
