"""Where in rendered frames trails, motes and ghosts lie: a coarse grid of cells.

A label says that there is a ghost, the generator knows where. Asked for the cells, the sky branch
learns from each frame that has one a few hundred times.
"""

from collections.abc import Sequence

import torch
import torch.nn.functional as F
from torch import Tensor

from synth.patches import item_table
from synth.reflections import reflection_map
from synth.scene import Scene
from synth.shading import dust_map
from synth.streaks import Trail
from synth.transfer import moved

SOMEWHERE = ("trail", "dust_motes", "reflection")
CELLS = 16
# Points looked at in a cell, along each of its sides.
_POINTS = 8
# What is fainter than this share of the brightest light, or of the deepest shadow, lies nowhere.
_FAINT = 0.25


def fault_cells(scenes: Sequence[Scene], device: torch.device | str) -> Tensor:
    """Scenes of one shape -> (B, len(SOMEWHERE), CELLS, CELLS) float16, 1 where the fault lies."""
    height_px, width_px = scenes[0].height_px, scenes[0].width_px
    count = CELLS * _POINTS
    x_px, y_px = (
        (torch.arange(count, device=device) + 0.5) * (size / count) - 0.5
        for size in (width_px, height_px)
    )
    shadow = 1 - dust_map([scene.dust for scene in scenes], x_px, y_px)
    ghost = reflection_map([scene.reflection for scene in scenes], x_px, y_px)
    trails = _crossed([scene.trails for scene in scenes], x_px, y_px)
    light = torch.stack((trails, shadow, ghost), 1)
    lies = light > (_FAINT * light.amax((2, 3), keepdim=True)).clamp_min(1e-6)
    return F.max_pool2d(lies.half(), _POINTS)


def _crossed(trails: Sequence[Sequence[Trail]], x_px: Tensor, y_px: Tensor) -> Tensor:
    """(B, h, w) 1 at points that a trail passes no farther away than the next point lies."""
    out = torch.zeros(len(trails), len(y_px), len(x_px), device=x_px.device)
    table = moved(item_table(trails, len(Trail.__dataclass_fields__)), x_px.device).float()
    if table.shape[1] == 0:
        return out
    spacing_px = max(float(x_px[1] - x_px[0]), float(y_px[1] - y_px[0]))
    for item in table.unbind(1):
        x0, y0, x1, y1, sigma = item[:, :5, None, None].unbind(1)
        along_x, along_y, length = x1 - x0, y1 - y0, torch.hypot(x1 - x0, y1 - y0)
        dx, dy = x_px - x0, y_px[:, None] - y0
        across = (dx * along_y - dy * along_x).abs() / length
        share = (dx * along_x + dy * along_y) / length**2
        # Frames with fewer trails have NaN, which is near nothing.
        out += (across < 0.75 * spacing_px + sigma) & (share >= 0) & (share <= 1)
    return out.clamp_max(1)


def cells_unknown(frames: int, device: torch.device | str) -> Tensor:
    """What `fault_cells` gives where nobody knows."""
    shape = (frames, len(SOMEWHERE), CELLS, CELLS)
    return torch.full(shape, torch.nan, dtype=torch.float16, device=device)
