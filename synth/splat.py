"""Laying stamps of stars down on a canvas: many at once, added where they overlap.

A splat is planned as arrays (numpy, in worker processes) and laid down in torch on the device.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from synth.scene import Scene
from synth.transfer import moved

# Room round the canvas, so that stamps may hang over the frame's edge.
PAD_PX = 160


@dataclass(frozen=True)
class Splat:
    """Stars ready to be laid down: arrays over all stars of a batch.

    stamp: which of the stamps (place in the field and sub-pixel phase). start: number of the
    canvas's pixel under the stamp's corner. flux_e: float32. planes: (n, 2, 2) float32 share
    that each place of the mosaic collects, from the stamp's corner on; None = all of it.
    """

    stamp: np.ndarray
    start: np.ndarray
    flux_e: np.ndarray
    planes: np.ndarray | None


def plane_weights(scene: Scene, colour: np.ndarray) -> np.ndarray:
    """(n, 4) share of a star's electrons that each mosaic place collects, by its colour."""
    response = np.array(scene.plane_response)
    if scene.rig.camera.cfa is None:
        return np.ones((len(colour), 4))
    # Red stars give red pixels more; half a magnitude of B - V is some 20 % (common practice).
    slope = {"R": 0.35, "G": 0.0, "B": -0.45}
    tint = np.array([slope[name] for name in scene.rig.camera.cfa])
    return response[None] * np.exp(tint[None] * (colour[:, None] - 0.7)).clip(0.3, 3)


def splat(columns: Sequence[np.ndarray], over: int, side: int, size: tuple[int, int]) -> Splat:
    """Stars of frames of `size` (height, width) for stamps of `side` px in over^2 phases.

    columns: frame, kernel, x_px, y_px, flux_e, planes, an array of all stars each. Sub-pixel
    places are rounded to 1 / over px.
    """
    frame, kernel, x_px, y_px, flux_e, planes = columns
    fine_x = np.floor(x_px * over + 0.5).astype(np.int64)
    fine_y = np.floor(y_px * over + 0.5).astype(np.int64)
    phase = (fine_x % over) + over * (fine_y % over)
    left = fine_x // over - side // 2
    top = fine_y // over - side // 2
    high, wide = size[0] + 2 * PAD_PX, size[1] + 2 * PAD_PX
    weights = None
    if (planes != 1).any():
        # Planes in the order in which the stamp's own corner meets the mosaic.
        order = np.array(
            [
                [(dy ^ py) * 2 + (dx ^ px) for dy in (0, 1) for dx in (0, 1)]
                for py in (0, 1)
                for px in (0, 1)
            ]
        )
        turned = np.take_along_axis(planes, order[(top % 2) * 2 + left % 2], 1)
        weights = turned.astype(np.float32).reshape(-1, 2, 2)
    return Splat(
        (kernel * over**2 + phase).astype(np.int32),
        (frame * high + top + PAD_PX) * wide + left + PAD_PX,
        flux_e.astype(np.float32),
        weights,
    )


def lay_down(canvas: Tensor, stamps: Tensor, stars: Splat, chunk: int = 1 << 25) -> None:
    """Add stars to the padded canvas (B, H + 2 PAD, W + 2 PAD) in place.

    stamps: (n, side, side), of one electron each.
    """
    if len(stars.start) == 0:
        return
    device, side = canvas.device, stamps.shape[-1]
    stamp, start = moved(stars.stamp, device), moved(stars.start, device)
    # Electrons of the four places of the mosaic, or one number for all.
    share = moved(stars.flux_e, device)[:, None, None, None, None]
    if stars.planes is not None:
        share = share * moved(stars.planes, device)[:, None, :, None, :]
    steps = torch.arange(side, device=device)
    inner = steps[:, None] * canvas.shape[2] + steps[None]
    if canvas.numel() < 2**31:  # half the memory
        start, inner = start.int(), inner.int()
    flat = canvas.view(-1)
    for i in range(0, len(start), max(1, chunk // side**2)):
        part = slice(i, i + max(1, chunk // side**2))
        light = stamps[stamp[part]].view(-1, side // 2, 2, side // 2, 2) * share[part]
        place = start[part, None, None] + inner
        flat.index_add_(0, place.view(-1), light.view(-1))
