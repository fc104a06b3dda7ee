"""Star tiles: square pieces of a frame, each about one of its brightest stars."""

from dataclasses import dataclass

from torch import Tensor

TILES = 80  # of a frame: some more than a sheet shows, as not every star is found

CROWD_SCALES = 4


@dataclass(frozen=True)
class StarTiles:
    """Tiles of b frames of one shape.

    pixels: (b, TILES, side, side) float32 ADU. rows: (b,) numbers of the frames in the plan.
    origin_px: (b, TILES, 2) place in the frame of each tile's first pixel, a multiple of 8 or 16.
    stars_px: (b, TILES, 2) place in the frame of the tile's star. there: (b, TILES) whether it has
    one. crowding: (b, CROWD_SCALES) noise of the frame's sky, faint stars included, over that of an
    empty one, in cells of 2, 4, 8 and 16 px; lift_e: (b,) electrons by which those stars raise it.
    sky_e: (b, 4) of the mosaic's places. numbers: facts by name, each (b,). is_colour: whether any
    frame may have a colour mosaic.
    """

    pixels: Tensor
    rows: Tensor
    size_px: tuple[int, int]
    origin_px: Tensor
    stars_px: Tensor
    there: Tensor
    crowding: Tensor
    lift_e: Tensor
    sky_e: Tensor
    numbers: dict[str, Tensor]
    is_colour: bool

    def __len__(self) -> int:
        return len(self.pixels)

    @property
    def side_px(self) -> int:
        return self.pixels.shape[-1]
