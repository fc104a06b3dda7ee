"""Images that every star has a second time at the same offset: the mark of a jump.

Where a jump is wider than the stars, sep finds every image by itself and no single one looks
odd. But the offsets between neighbouring detections then pile up at one place, where those of a
real field are spread evenly. Their count there is compared with that over the whole
neighbourhood.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

Array = np.ndarray

NEAREST_FWHM, FARTHEST_FWHM = 1.2, 12.0
SHARE = 0.3
LEAST_PAIRS = 12


@dataclass(frozen=True)
class Repeated:
    """dx, dy: the offset in px. distance_fwhm: its length. share: of the stars that have it."""

    dx: float
    dy: float
    distance_fwhm: float
    share: float


def find_repeated(stars: Array, fwhm_px: float) -> Repeated | None:
    """The common offset between images of the brighter stars, or None."""
    if not np.isfinite(fwhm_px) or len(stars) < LEAST_PAIRS:
        return None
    brightest = stars[:400]
    points = np.stack((brightest["x"], brightest["y"]), 1).astype(np.float64)
    pairs = cKDTree(points).query_pairs(FARTHEST_FWHM * fwhm_px, output_type="ndarray")
    # Stars are in order of flux: the offset runs from the brighter image to the fainter.
    if len(pairs) < LEAST_PAIRS:
        return None
    ratio = brightest["flux"][pairs.max(1)] / np.maximum(brightest["flux"][pairs.min(1)], 1e-6)
    offsets = points[pairs.max(1)] - points[pairs.min(1)]
    offsets = offsets[(ratio > 0.05) & (np.hypot(*offsets.T) > NEAREST_FWHM * fwhm_px)]
    if len(offsets) < LEAST_PAIRS:
        return None
    both = np.concatenate((offsets, -offsets))  # equal images: either may be the brighter
    radius = max(1.0, 0.3 * fwhm_px)
    counts = np.array([len(near) for near in cKDTree(both).query_ball_point(offsets, radius)])
    best = int(counts.argmax())
    expected = len(both) * (radius / (FARTHEST_FWHM * fwhm_px)) ** 2
    found = int(counts[best])
    if found < max(LEAST_PAIRS, expected + 6 * expected**0.5):
        return None
    # With two images to a star, half of the detections are second images.
    share = found / max(1.0, len(brightest) / 2)
    if share < SHARE:
        return None
    dx, dy = offsets[best]
    return Repeated(float(dx), float(dy), float(np.hypot(dx, dy) / fwhm_px), min(1.0, share))
