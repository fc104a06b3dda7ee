"""The slow part of a run's sky: what is left of it without stars and without discs.

    flat = sky - slow_sky(sky, 49)

The median over a wide window, as SciPy's filter gives it, found from the medians of small blocks:
it changes little over a block, and costs a twentieth so.
"""

import numpy as np
from scipy import ndimage

from classifier.bilinear import between

Array = np.ndarray

BLOCKS = 12  # across the window


def slow_sky(sky: Array, size: int) -> Array:
    """(h, w) -> (h, w) float32, the median over size x size cells; edges are mirrored."""
    block = max(1, size // BLOCKS)
    high, wide = (-(-side // block) for side in sky.shape)
    if block == 1 or min(high, wide) < 2:
        return ndimage.median_filter(sky, size=size, mode="reflect").astype(np.float32)
    beyond = [
        (0, count * block - side) for count, side in zip((high, wide), sky.shape, strict=True)
    ]
    blocks = np.pad(sky, beyond, mode="symmetric").reshape(high, block, wide, block)
    middles = np.median(blocks.swapaxes(1, 2).reshape(high, wide, -1), axis=2)
    slow = ndimage.median_filter(middles.astype(np.float32), size=size // block | 1, mode="reflect")
    rows, columns = ((np.arange(side) - 0.5 * (block - 1)) / block for side in sky.shape)
    return between(slow, *np.meshgrid(rows, columns, indexing="ij"))
