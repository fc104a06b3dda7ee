"""Stars as peaks of a sky-subtracted picture, at one of several blur scales.

A peak counts as a star only when its neighbours share its light: hot pixels do not, nor do bad
columns; and when its light is gathered within a few pixels: that of nebulae is not. Only pixels
above the threshold are looked at. Torch, batched, CPU and GPU.
"""

from collections.abc import Callable
from functools import lru_cache

import torch
from torch import Tensor

from classifier.star_shape import cut, radius_px
from classifier.sweeps import constant, middle, sample, spots_over, true_places

# Blur scales in units of the half-size picture.
SCALES = (1, 2, 4, 8, 16)
MOST_PEAKS = 128  # of a frame that are listed
PEAK_SIGMA = 5.0
EDGE = 2  # rows and columns at a picture's edges in which no peak is looked for
NOISE_ROWS = 64  # rows of a picture that its noise is taken from
STAMP_PX = 23  # side of what is looked at round a peak
AREA_5_TO_11 = 302  # px
_RING = tuple((dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0))

# For a picture put together from pieces of frames: numbers of pictures (...) and places in them in
# px (..., 2) -> where in their frame they lie, -1 to 1 from edge to edge, and which count at all.
Home = Callable[[Tensor, Tensor], tuple[Tensor, Tensor]]


def find_peaks(
    picture: Tensor, scale: int, home: Home | None = None
) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
    """Stars at one blur scale, up to MOST_PEAKS of each frame, best first.

    picture: (B, h, w) sky-subtracted, binned to `scale` half-size pixels, ADU.
    Returns places in frame px (B, n, 2), S/N (0 where there is none), number of peaks over 5
    sigma (B,), the noise in ADU that the S/N is against (B,), and a score of the scale (B,).
    """
    batch, height, width = picture.shape
    if min(height, width) < 12:
        nothing = torch.zeros(batch, MOST_PEAKS, device=picture.device)
        places = torch.zeros(batch, MOST_PEAKS, 2, device=picture.device)
        return places, nothing, nothing[:, 0], nothing[:, 0] + 1, nothing[:, 0] - 1
    noise = _response_noise(picture)
    # Whole rows are looked through, as what does not lie side by side takes twice the time.
    frame, place = spots_over(picture[:, EDGE:-EDGE], PEAK_SIGMA * noise)
    flat, at = picture.reshape(-1), (frame * height + EDGE) * width + place
    own = flat.index_select(0, at)
    ring = dict(zip(_RING, _around(flat, at, width, _RING), strict=True))
    # A star shares its light with its neighbours on every side; a hot pixel with none, a bad
    # column or row only along itself.
    beside = 0.5 * (ring[0, -1] + ring[0, 1])
    above = 0.5 * (ring[-1, 0] + ring[1, 0])
    response = 0.5 * (own + (own + sum(ring.values())) / 9)
    snr = response / noise[frame]
    column = place % width
    good = (torch.minimum(beside, above) > 0.03 * own) & (snr > PEAK_SIGMA)
    good &= (column >= EDGE) & (column < width - EDGE)
    frame, place, column, snr = _chosen(good, frame, place, column, snr)
    row = torch.div(place, width, rounding_mode="floor") + EDGE
    peak = _highest_around(frame, row, column, snr, picture.shape)
    if home is not None:
        place = (torch.stack((column, row), 1).float() + 0.5) * scale * 2 - 0.5
        peak &= home(frame, place)[1]
    frame, row, column, snr = _chosen(peak, frame, row, column, snr)
    count = torch.zeros(batch, dtype=torch.long, device=frame.device)
    count.index_add_(0, frame, torch.ones_like(frame))
    (row, column), snr = _strongest(frame, (row, column), snr, count)
    snr = torch.where(_is_concentrated(picture, column, row, noise), snr, torch.zeros_like(snr))
    places = (torch.stack((column, row), 2).float() + 0.5) * scale * 2 - 0.5
    centre = constant((width, height), snr.device) * float(scale)
    places = torch.where(snr[..., None] > 0, places, centre)
    best = snr.sort(1, descending=True).values[:, :24]
    # A coarser scale has to win clearly: it also gathers nebulae and close pairs.
    score = torch.log1p(best).mean(1) - 0.12 * SCALES.index(scale)
    return places, snr, count.float(), noise, score


def _around(
    flat: Tensor, at: Tensor, width: int, steps: tuple[tuple[int, int], ...]
) -> list[Tensor]:
    """Values at places `at` of a flattened picture, dy rows and dx columns on, -1 to 1 each; no
    place lies in the picture's first row.

    One list of places into parts of the picture that begin further on: a third of the time of as
    many lists of places.
    """
    corner = at - (width + 1)
    return [flat[(dy + 1) * width + dx + 1 :].index_select(0, corner) for dy, dx in steps]


def _chosen(mask: Tensor, *lists: Tensor) -> tuple[Tensor, ...]:
    places = true_places(mask)
    return tuple(each.index_select(0, places) for each in lists)


def _response_noise(picture: Tensor) -> Tensor:
    """(B, h, w) -> (B,) sigma of half the sum of a pixel and its 3 x 3 mean, on empty sky."""
    rows = torch.linspace(1, picture.shape[1] - 2, NOISE_ROWS, device=picture.device).long()
    thick = [picture.index_select(1, rows + step) for step in (-1, 0, 1)]
    columns = thick[0] + thick[1] + thick[2]
    around = columns[..., :-2] + columns[..., 1:-1] + columns[..., 2:]
    response = 0.5 * (thick[1][..., 1:-1] + around / 9)
    return (1.4826 * middle(sample(response).abs())).clamp_min(1e-6)


def _highest_around(
    frame: Tensor, row: Tensor, column: Tensor, value: Tensor, shape: torch.Size
) -> Tensor:
    """Which of the listed pixels are the highest of the 3 x 3 cells, of 2 x 2 px, about theirs.

    No listed pixel lies within two pixels of the edge of the (B, h, w) picture.
    """
    batch, height, width = shape
    high, wide = (height + 1) // 2, (width + 1) // 2
    cell = (frame * high + row // 2) * wide + column // 2
    grid = torch.zeros(batch * high * wide, device=value.device)
    grid.scatter_reduce_(0, cell, value, "amax")
    highest = grid.index_select(0, cell)
    for near in _around(grid, cell, wide, _RING):
        highest = torch.maximum(highest, near)
    return value >= highest


def _strongest(
    frame: Tensor, numbers: tuple[Tensor, ...], value: Tensor, count: Tensor
) -> tuple[tuple[Tensor, ...], Tensor]:
    """Lists over all frames -> (B, MOST_PEAKS) each, highest value first, zeros where none is left.

    count: (B,) how many of the list belong to each frame.
    """
    if len(count) > 1:
        order = value.argsort(descending=True, stable=True)
        order = order[frame[order].argsort(stable=True)]
    else:  # of one frame only those need be sorted that are listed
        least = value.topk(min(MOST_PEAKS, len(value))).values
        listed = true_places(value >= least[-1]) if len(value) else frame
        order = listed[value[listed].argsort(descending=True, stable=True)]
    frame = frame[order]
    rank = torch.arange(len(order), device=value.device) - (count.cumsum(0) - count)[frame]
    order, *spot = _chosen(rank < MOST_PEAKS, order, frame, rank)

    def placed(each: Tensor) -> Tensor:
        return each.new_zeros(len(count), MOST_PEAKS).index_put(tuple(spot), each[order])

    return tuple(placed(each) for each in numbers), placed(value)


def _is_concentrated(picture: Tensor, column: Tensor, row: Tensor, noise: Tensor) -> Tensor:
    """(B, n) whether most of a peak's light lies within 5 px: no for nebulae and wider rings.

    The light farther out is told by a median, which neighbours and hot pixels do not move; noise
    (B,) is that of `_response_noise`, by which that median may be off.
    """
    stamps = cut(picture, torch.stack((column, row), 2), STAMP_PX).flatten(2)
    core, ring, rim = (stamps.index_select(2, part) for part in _rings(picture.device))
    outside, around = middle(rim), middle(ring)
    inside = (core - outside[..., None]).sum(2)
    rest = (around - outside - 0.3 * noise[:, None]).clamp_min(0) * AREA_5_TO_11
    return inside > rest


@lru_cache(maxsize=4)
def _rings(device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Flat places in a stamp within 5 px of its middle, from there to 9 px, and beyond."""
    radius = radius_px(STAMP_PX, device).flatten()
    parts = radius <= 5, (radius > 5) & (radius <= 9), radius > 9
    return tuple(part.nonzero()[:, 0] for part in parts)  # type: ignore[return-value]
