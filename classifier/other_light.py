"""Bright light in the sky of any form: arcs, fans and strips of stray light, and nebulae.

Reflections are known by a round edge (`discs`). Light without one may be a reflection all the same:
where there is some, none is denied.
"""

import numpy as np
from scipy import ndimage

from classifier.background import SkyPicture
from classifier.disc import Disc
from classifier.sweeps import median

Array = np.ndarray

SIDE = 5  # cells: means are taken over so many squared
LEAST_FREE = 0.3
# Sigma of such a mean, by noise and by its own scatter over the frame, whichever is more: of 4,000
# means that are each asked none comes to so much by chance, and faint stars make tails.
STANDS_OUT = 7.0
LEAST_CELLS = 40
# Trails are no wider than the means make them.
LEAST_WIDTH = 7.0
KEPT = 3


def other_light(flat: Array, free: Array, picture: SkyPicture) -> list[Disc]:
    """The largest patches, at most 3, as discs of their area without an edge.

    flat: (h, w) ADU, the sky less its slow part. free: bool, where stars and their wings hide
    nothing of it.
    """
    share = ndimage.uniform_filter(free.astype(np.float32), SIDE, mode="constant")
    covered = np.where(free, flat, 0).astype(np.float32)
    light = ndimage.uniform_filter(covered, SIDE, mode="constant")
    seen = share > LEAST_FREE
    if seen.sum() < LEAST_CELLS:
        return []
    mean = np.where(seen, light / np.maximum(share, LEAST_FREE), 0.0)
    usual = median(mean[seen])
    scatter = 1.4826 * median(np.abs(mean[seen] - usual))
    sigma = np.maximum(picture.noise_adu / (SIDE * np.sqrt(np.maximum(share, LEAST_FREE))), scatter)
    lit, _ = ndimage.label(seen & (mean - usual > STANDS_OUT * sigma))
    patches = []
    for number, place in enumerate(ndimage.find_objects(lit), 1):
        rows, columns = np.nonzero(lit[place] == number)
        extent = max(np.ptp(rows), np.ptp(columns)) + 1
        if len(rows) < LEAST_CELLS or len(rows) / extent < LEAST_WIDTH:
            continue
        heights = mean[place][rows, columns] - usual
        top, left = place[0].start, place[1].start
        x, y = picture.to_frame(float(left + columns.mean()), float(top + rows.mean()))
        radius = picture.step_px * float(np.sqrt(len(rows) / np.pi))
        height = float(np.quantile(heights, 0.75))
        patches.append(Disc(x, y, radius, height, height / float(np.median(sigma)), False))
    return sorted(patches, key=lambda disc: -disc.radius)[:KEPT]
