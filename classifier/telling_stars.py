"""Which stars of a frame show a fault of its stars: what to look at to see it.

A fault of the optics or the tracking is seldom even over the field: a tilted sensor, a turning
field or coma shows in some stars and not in others, and a double star looks like a drift all by
itself. A star shows a fault where its own form has it and that of its neighbours has it too.
"""

import numpy as np
from scipy.spatial import cKDTree

from classifier.vocabulary import fault

Array = np.ndarray

STRETCHED = ("vibration", "drift", "guiding_loss")
WIDE = {"defocus": 2, "bloated_stars": 3}  # columns of `FrameMeasures.shapes`: hfr_px, fwhm_px
INNER = ("miscollimation",)
STAR_FAULTS = (*STRETCHED, *WIDE, *INNER)
MOST = 12  # marked
NEIGHBOURS = 8
ALIKE = 0.5  # cosine of twice the angle between two stretches: within 30 degrees


def telling_stars(key: str, shapes: Array, size_px: tuple[int, int]) -> list[list[float]]:
    """[x, y] of up to `MOST` stars that show the fault `key`, the brightest first; none for faults
    that do not show in stars.

    shapes: (n, 6) x, y, hfr_px, fwhm_px, e1, e2 of the frame's stars, as `FrameMeasures` keeps
    them. size_px: height and width of the frame.
    """
    shown = np.flatnonzero(shows(key, shapes, size_px))[:MOST]
    return [[round(float(x), 1), round(float(y), 1)] for x, y in shapes[shown, :2]]


def shows(key: str, shapes: Array, size_px: tuple[int, int]) -> Array:
    """(n,) bool, whether each star shows the fault `key`.

    Stretched stars from the elongation that counts, all of a neighbourhood the same way. Wide
    ones where they and their neighbours are no narrower than half of the frame's stars: how wide
    a star should be, only the run knows. Lopsided ones in the inner half of the field, where
    field coma is small and the measure looks.
    """
    if key not in STAR_FAULTS or len(shapes) < NEIGHBOURS + 1:
        return np.zeros(len(shapes), bool)
    shapes = shapes.astype(np.float64)
    if key in INNER:
        middle = np.array([size_px[1] - 1, size_px[0] - 1]) / 2
        return np.hypot(*(shapes[:, :2] - middle).T) < 0.25 * np.hypot(*size_px)
    near = cKDTree(shapes[:, :2]).query(shapes[:, :2], NEIGHBOURS + 1)[1][:, 1:]
    if key in WIDE:
        width = shapes[:, WIDE[key]]
        return np.minimum(width, np.median(width[near], axis=1)) >= 0.98 * np.median(width)
    own = shapes[:, 4] + 1j * shapes[:, 5]
    around = np.median(shapes[near, 4], axis=1) + 1j * np.median(shapes[near, 5], axis=1)
    level = fault("drift").counts_from
    least = (level**2 - 1) / (level**2 + 1)  # e of a star that many times as long as wide
    alike = (own * around.conj()).real >= ALIKE * np.abs(own) * np.abs(around)
    return (np.abs(own) >= least) & (np.abs(around) >= 0.7 * least) & alike
