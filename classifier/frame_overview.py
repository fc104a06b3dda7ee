"""What one pass over a frame's pixels leaves for all that look at the whole frame later.

    overview = overview_of(pixels)
    overview.half, overview.quarter, overview.tops

A frame is hundreds of times as large as a CPU's cache: while a band of its rows is in there, as it
is read from the file or once afterwards, everything is taken from it that needs every pixel.
"""

from dataclasses import dataclass

import numpy as np

Array = np.ndarray

BAND_VALUES = 1 << 18  # pixels that a CPU's cache holds beside what is made of them


@dataclass(frozen=True)
class Overview:
    """Of a frame of (H, W) pixels, float32: half (H // 2, W // 2) and quarter (H // 4, W // 4) are
    means of 2 x 2 and 4 x 4 pixels, an odd last row or column left out; tops (H,) is the highest
    value of each row."""

    half: Array
    quarter: Array
    tops: Array

    def means(self, pixels: Array, step: int, box: tuple[int, int, int, int]) -> Array:
        """Means of step x step `pixels` of the frame in a box x0, y0, x1, y1, ends excluded, from
        the smallest array that holds them."""
        x0, y0, x1, y1 = box
        for size, picture in ((4, self.quarter), (2, self.half)):
            if step % size == x0 % size == y0 % size == 0:
                part = picture[y0 // size : y1 // size, x0 // size : x1 // size]
                return block_means(part, step // size)
        return block_means(pixels[y0:y1, x0:x1], step)

    def take(self, top: int, rows: Array) -> None:
        """Enter the rows of the frame from `top` on; `top` and all but the last bands' number of
        rows must be multiples of 4."""
        self.tops[top : top + len(rows)] = rows.max(axis=1)
        half = self.half[top // 2 : (top + len(rows)) // 2]
        block_means(rows, 2, half)
        block_means(half, 2, self.quarter[top // 4 : (top + len(rows)) // 4])


def unfilled(height: int, width: int) -> Overview:
    """An Overview whose arrays are still to be filled by `take`."""
    return Overview(
        half=np.empty((height // 2, width // 2), np.float32),
        quarter=np.empty((height // 4, width // 4), np.float32),
        tops=np.empty(height, np.float32),
    )


def band_rows(width: int) -> int:
    """How many rows of a frame are entered at a time: a multiple of 4."""
    return max(4, BAND_VALUES // max(width, 1) // 4 * 4)


def overview_of(pixels: Array) -> Overview:
    """(H, W) float32, finite -> Overview."""
    height, width = pixels.shape
    overview, step = unfilled(height, width), band_rows(width)
    for top in range(0, height, step):
        overview.take(top, pixels[top : top + step])
    return overview


def block_means(picture: Array, step: int, out: Array | None = None) -> Array:
    """(h, w) float32 -> (h // step, w // step) means of step x step; what is over is left out.

    out: where they go, unless step is 1; a new array if None. The same as an average pooling, in a
    small part of its time: whole rows are added first.
    """
    if step == 1:
        return picture
    high, wide = picture.shape[0] // step, picture.shape[1] // step
    if out is None:
        out = np.empty((high, wide), np.float32)
    band = max(1, BAND_VALUES // max(1, step * picture.shape[1]))
    for top in range(0, high, band):
        rows = picture[top * step : min(top + band, high) * step, : wide * step]
        if step == 2:
            total = rows[0::2] + rows[1::2]
        else:
            total = np.add.reduce(rows.reshape(-1, step, wide * step), axis=1)
        part = out[top : top + band]
        np.add(total[:, 0::step], total[:, 1::step], out=part)
        for column in range(2, step):
            part += total[:, column::step]
        part *= np.float32(1 / step**2)
    return out
