"""A contact sheet: square pieces of one frame, a star in each, laid edge to edge as one picture."""

from dataclasses import dataclass

import torch
from torch import Tensor

COLUMNS, ROWS = 9, 8  # tiles of a contact sheet
TILES = COLUMNS * ROWS


@dataclass(frozen=True)
class ContactSheets:
    """Contact sheets of b frames of one shape.

    pixels: (b, ROWS * tile, COLUMNS * tile) float32 ADU. rows: (b,) numbers of the frames in the
    plan. origin_px: (b, TILES, 2) place in the frame of each tile's first pixel, even. stars_px:
    (b, TILES, 2) place in the frame of the star that the tile is for, far outside where there is
    none. numbers: facts by name, each (b,).
    """

    pixels: Tensor
    rows: Tensor
    tile_px: int
    size_px: tuple[int, int]
    origin_px: Tensor
    stars_px: Tensor
    numbers: dict[str, Tensor]

    def home(self, sheet: Tensor, place_px: Tensor) -> tuple[Tensor, Tensor]:
        """Numbers of sheets (...) and places on them (..., 2) -> places in the frames, -1 to 1
        from edge to edge, and whether they count: what lies off the frame, or nearer to the star
        of another tile, does not.
        """
        tile = torch.div(place_px + 0.5, self.tile_px, rounding_mode="floor")
        tile = tile.clamp_min(0).minimum(tile.new_tensor([COLUMNS - 1, ROWS - 1]))
        number = (tile[..., 1] * COLUMNS + tile[..., 0]).long()
        at = place_px - tile * self.tile_px + self.origin_px[sheet, number]
        away = (at[..., None, :] - self.stars_px[sheet]).square().sum(-1).sqrt()
        own = away.gather(-1, number[..., None])[..., 0]
        size = at.new_tensor([self.size_px[1], self.size_px[0]])
        inside = ((at >= 0) & (at <= size - 1)).all(-1)
        return 2 * at / size - 1, (own <= away.amin(-1) + 0.5) & inside
