"""Values of a picture between its pixels, joined linearly, in a quarter of SciPy's time.

    light = between(picture, rows, columns)

For where many thousand places are asked for: along lines, round stars and discs.
"""

import numpy as np

Array = np.ndarray


def between(picture: Array, rows: Array, columns: Array) -> Array:
    """(h, w) float32, at least 2 x 2, at places of any shape -> float32 values of that shape;
    beyond the edges as at the nearest place inside.

    What `scipy.ndimage.map_coordinates` of order 1 gives with mode "nearest", with places rounded
    to float32.
    """
    return between_each((picture,), rows, columns)[0]


def between_each(pictures: tuple[Array, ...], rows: Array, columns: Array) -> list[Array]:
    """The same of several pictures of one shape."""
    height, width = pictures[0].shape
    down = np.clip(rows, 0, height - 1).astype(np.float32)
    across = np.clip(columns, 0, width - 1).astype(np.float32)
    above = np.minimum(down.astype(np.intp), height - 2)
    left = np.minimum(across.astype(np.intp), width - 2)
    down -= above
    across -= left
    at = above * width + left
    return [_joined(picture.ravel(), width, at, down, across) for picture in pictures]


def _joined(light: Array, width: int, at: Array, down: Array, across: Array) -> Array:
    """Four neighbours weighed; `at` is the flat index of the upper left one. In place, as most of
    the time would go into new arrays."""
    upper, upper_right, lower, lower_right = (
        light[step:].take(at, mode="clip") for step in (0, 1, width, width + 1)
    )
    for first, second, weight in (
        (upper, upper_right, across),
        (lower, lower_right, across),
        (upper, lower, down),
    ):
        second -= first
        second *= weight
        first += second
    return upper
