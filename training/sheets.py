"""Star sheets without frames: tiles about the stars of a plan, rendered and read at once."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from classifier.sheet import SHAPE_FACTS
from synth.rng import torch_stream
from synth.sheet_plan import SheetPlan
from synth.star_sheets import MOST_PX, SheetRenderer
from synth.strength import settle
from synth.transfer import moved
from training.tile_reader import read_tiles

# Shape facts that cut-outs alone give; the others describe a whole frame.
STAR_FACTS = SHAPE_FACTS[:2] + SHAPE_FACTS[3:13]


@dataclass(frozen=True)
class Sheets:
    """What the network's star branch takes, for B frames, in the order of their plan.

    cutouts (B, 64, 32, 32), facts (B, 64, 5), stack (B, 4, 32, 32): as `classifier.sheet.Sheet`
    has them. shape (B, 12): STAR_FACTS. strength (B, 16) in the vocabulary's units, NaN = left
    out; for all but star faults it tells nothing about the cut-outs.
    """

    cutouts: Tensor
    facts: Tensor
    stack: Tensor
    shape: Tensor
    strength: Tensor

    def __len__(self) -> int:
        return len(self.cutouts)

    def rows(self, rows: Tensor) -> "Sheets":
        return Sheets(**{name: tensor[rows] for name, tensor in vars(self).items()})


def render_sheets(
    plan: SheetPlan,
    seed: int,
    index: int,
    device: torch.device | str = "cpu",
    told_share: float = 0.6,
    times: int = 1,
    most_px: int = MOST_PX,
    fused: bool = False,
) -> Iterator[Sheets]:
    """Planned scenes -> Sheets, `times` times. `seed` and `index` fix the noise.

    told_share: share of the frames whose files tell the level at which they saturate. From the
    second time on the same frames' stars lie at other places. most_px, fused: see `SheetRenderer`.
    """
    renderer = SheetRenderer(plan, device, most_px, fused)
    generator = torch_stream(device, seed, "tiles", index)
    strength = moved(settle(plan.truth, str(device)).astype(np.float32), device)
    for turn in range(times):
        # Read as they come: only cut-outs are kept of a batch's tiles.
        parts = read_tiles(renderer.each(generator, anew=turn > 0), told_share, fused)
        cutouts, facts, stack, shape = (part[renderer.order] for part in parts)
        yield Sheets(cutouts, facts, stack, shape, strength)
