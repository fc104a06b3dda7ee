"""Straight trails: the line search on a star-suppressed picture, and a look at what it found.

A real trail is bright along most of its length and dark on both sides. A roof, the edge of a
mask or a bright galaxy is not, however significant the sum along a line may be.
"""

from dataclasses import dataclass

import numpy as np
import torch
from scipy import ndimage

from classifier.background import SkyPicture
from classifier.lines import line_search, prepare
from classifier.stars import binned

Array = np.ndarray

LINE_PX = 512
SEGMENTS = 8
MAX_TRAILS = 3


@dataclass(frozen=True)
class Trail:
    """ends: x0, y0, x1, y1 in frame pixels. snr: of the line search. lit: share of its length
    that is bright. one_sided: difference of the two sides over the line's height above them."""

    ends: tuple[float, float, float, float]
    snr: float
    lit: float
    one_sided: float

    @property
    def is_line(self) -> bool:
        return self.lit >= 0.7 and self.one_sided < 0.5


def find_trails(picture: SkyPicture, threshold: float) -> list[Trail]:
    """Best line of the frame, and further ones while they are trails above `threshold`."""
    calm, step = _calm(picture)
    trails: list[Trail] = []
    if min(calm.shape) < 48:
        return trails
    work = calm.copy()
    for _ in range(MAX_TRAILS):
        prepared = prepare(torch.from_numpy(work)[None])
        result = line_search(prepared)
        snr = result.snr[0].numpy()
        stage = int(snr.argmax())
        ends = result.ends[0, stage].numpy()
        lit, one_sided = _look(work, ends)
        trail = Trail(_in_frame(ends, step, picture), float(snr[stage]), lit, one_sided)
        trails.append(trail)
        if trail.snr < threshold:
            break
        _erase(work, ends)
    return trails


def _calm(picture: SkyPicture) -> tuple[Array, int]:
    """Picture of at most some 512 px in units of its noise, stars clipped before binning."""
    mean = picture.mean
    block = max(1, picture.step_px // picture.mean_step_px)
    height, width = (size * block for size in picture.level.shape)
    level = np.repeat(np.repeat(picture.level, block, 0), block, 1)
    rest = mean[:height, :width] - level
    sample = rest[:: max(1, rest.size // 200_000 // 4 + 1)]
    noise = max(1.4826 * float(np.median(np.abs(sample))), 1e-9)
    clipped = np.clip(rest / noise, -4.0, 4.0).astype(np.float32)
    step = max(1, round(max(clipped.shape) / LINE_PX))
    return np.ascontiguousarray(binned(clipped, step)), step * picture.mean_step_px


def _look(calm: Array, ends: Array) -> tuple[float, float]:
    """Share of the length that is lit, and how different the two sides are."""
    x0, y0, x1, y1 = (float(v) for v in ends)
    length = max(np.hypot(x1 - x0, y1 - y0), 1.0)
    count = int(np.clip(length, 8 * SEGMENTS, 512)) // SEGMENTS * SEGMENTS
    t = (np.arange(count) + 0.5) / count
    nx, ny = -(y1 - y0) / length, (x1 - x0) / length
    offsets = np.arange(-8, 9)
    x = x0 + t[:, None] * (x1 - x0) + offsets[None] * nx
    y = y0 + t[:, None] * (y1 - y0) + offsets[None] * ny
    strip = ndimage.map_coordinates(calm, [y, x], order=1, mode="nearest")
    inside = ((x >= 0) & (x <= calm.shape[1] - 1) & (y >= 0) & (y <= calm.shape[0] - 1))[:, 8]
    across = np.median(strip[inside], axis=0) if inside.sum() > 16 else np.median(strip, axis=0)
    left, right = float(across[:5].mean()), float(across[-5:].mean())
    core = strip[:, 7:10].max(1) - 0.5 * (left + right)
    parts = core.reshape(SEGMENTS, -1).mean(1)
    used = inside.reshape(SEGMENTS, -1).mean(1) > 0.5
    # The maximum of three noisy pixels lies above 0 by itself; the sides show by how much.
    side = (strip[:, 1:4].max(1) - left).mean() + (strip[:, 13:16].max(1) - right).mean()
    parts = parts - 0.5 * side
    height = float(np.median(parts[used])) if used.any() else 0.0
    if height <= 0:
        return 0.0, 1.0
    return float((parts[used] > 0.3 * height).mean()), abs(left - right) / height


def _erase(calm: Array, ends: Array) -> None:
    """Set a band of 9 px along the line to the median, in place."""
    rows, columns = np.indices(calm.shape)
    x0, y0, x1, y1 = (float(v) for v in ends)
    length = max(np.hypot(x1 - x0, y1 - y0), 1.0)
    off = np.abs((columns - x0) * (y1 - y0) - (rows - y0) * (x1 - x0)) / length
    calm[off <= 4.5] = np.median(calm)


def _in_frame(ends: Array, step: int, picture: SkyPicture) -> tuple[float, float, float, float]:
    x0, y0, x1, y1 = ((float(v) + 0.5) * step - 0.5 for v in ends)
    return x0 + picture.x0, y0 + picture.y0, x1 + picture.x0, y1 + picture.y0
