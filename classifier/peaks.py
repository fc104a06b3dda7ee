"""Stars as peaks of a sky-subtracted picture, at one of several blur scales.

A peak is listed only when its neighbours share its light: single hot pixels do not, nor do bad
columns. Which of those listed are no stars all the same, `impostors` tells. Only pixels above the
threshold are looked at. Torch, batched, CPU and GPU.
"""

from collections.abc import Callable

import torch
from torch import Tensor

from classifier.impostors import STAMP_PX, Grain, are_stars
from classifier.star_shape import cut
from classifier.sweeps import constant, middle, sample, spots_over, true_places

# Blur scales in units of the half-size picture.
SCALES = (1, 2, 4, 8, 16)
MOST_PEAKS = 128  # of a frame that are listed
PEAK_SIGMA = 5.0
EDGE = 2  # rows and columns at a picture's edges in which no peak is looked for
NOISE_ROWS = 64  # rows of a picture that its noise is taken from
SCALE_COST = 0.12  # of the score, for each coarser one
_RING = tuple((dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0))

# For a picture put together from pieces of frames: numbers of pictures (...) and places in them in
# px (..., 2) -> where in their frame they lie, -1 to 1 from edge to edge, and which count at all.
Home = Callable[[Tensor, Tensor], tuple[Tensor, Tensor]]


def find_peaks(
    pyramid: list[Tensor], grain: Grain, home: Home | None = None
) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
    """Stars at all blur scales, up to MOST_PEAKS of each frame and scale, best first.

    pyramid: (B, h, w) sky-subtracted, ADU, binned to each of SCALES half-size pixels.
    Returns places in frame px (B, s, n, 2), S/N (0 where there is none), number of peaks over 5
    sigma (B, s), the noise in ADU that the S/N is against (B, s), and a score of the scales (B, s).
    """
    listed = [_listed(*level, home) for level in zip(pyramid, SCALES, strict=True)]
    stamps, place, snr, count, noise = (torch.stack(part, 1) for part in zip(*listed, strict=True))
    snr = torch.where(are_stars(stamps, place, snr, noise, grain), snr, torch.zeros_like(snr))
    scale = constant(SCALES, snr.device)
    places = (place.float() + 0.5) * scale[:, None, None] * 2 - 0.5
    sizes = zip(SCALES, pyramid, strict=True)
    middles = tuple((float(s * p.shape[2]), float(s * p.shape[1])) for s, p in sizes)
    places = torch.where(snr[..., None] > 0, places, constant(middles, snr.device)[:, None])
    best = snr.sort(2, descending=True).values[..., :24]
    # A coarser scale has to win clearly: it also gathers nebulae and close pairs.
    cost = constant(tuple(SCALE_COST * number for number in range(len(SCALES))), snr.device)
    score = torch.log1p(best).mean(2) - cost
    return places, snr, count, noise, score


def _listed(picture: Tensor, scale: int, home: Home | None) -> tuple[Tensor, ...]:
    """Peaks at one blur scale, up to MOST_PEAKS of each frame, best first.

    picture: (B, h, w). Returns what lies round them (B, n, STAMP_PX^2), their columns and rows
    (B, n, 2), S/N (B, n), number (B,) and the noise (B,), as `are_stars` takes them.
    """
    batch, height, width = picture.shape
    if min(height, width) < 12:
        snr = picture.new_zeros(batch, MOST_PEAKS)
        place = torch.zeros(batch, MOST_PEAKS, 2, dtype=torch.long, device=picture.device)
        return (
            picture.new_zeros(batch, MOST_PEAKS, STAMP_PX**2),
            place,
            snr,
            snr[:, 0],
            snr[:, 0] + 1,
        )
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
    place = torch.stack((column, row), 2)
    return cut(picture, place, STAMP_PX).flatten(2), place, snr, count.float(), noise


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
