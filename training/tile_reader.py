"""Star tiles read as whole frames are: peaks, their S/N, the sampling, cut-outs, stack.

`classifier.peaks` searches millions of pixels for stars; here it is known in which tile each lies,
and only its brightest points are looked for, all tiles of a batch at once, without lists whose
length has to be asked for. The measure is the same: the response of a pixel with the mean of the
3 x 3 about it, over its noise on empty sky, at blur scales of 2, 4, 8 and 16 px; light shared with
the neighbours; the scale at which the best stars stand out. Noise and level of the sky are the
scene's own. What is then shown of a star is `classifier.sheet.show`.
"""

from collections.abc import Callable, Iterable
from functools import cache, lru_cache

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.peaks import AREA_5_TO_11, PEAK_SIGMA, SCALES
from classifier.sheet import CUT_BINNING, CUT_PX, Shown, binomial, ranking, show
from classifier.star_shape import cut, radius_px
from classifier.sweeps import constant, halved, middle
from synth.star_tiles import TILES, StarTiles
from synth.tile_noise import RESPONSE_SIGMA, sky_noise2_e

# Points of one tile that may count as stars: a star smeared to several images has several.
POINTS = 2
# A coarser grid has to win clearly, as on whole frames.
SCALE_COST = 0.12
# A star's points lie so far about its place, beyond its own reach, in cells of the grid.
SLACK_CELLS = 4.0
# Wide rings are no stars at a fine scale: of tiles at least this wide.
RING_TILE_PX = 96


def read_tiles(
    batches: Iterable[StarTiles], told_share: float = 1.0, fused: bool = False
) -> tuple[Tensor, ...]:
    """Cut-outs, facts, stack and star facts of batches of tiles, as `training.sheets.Sheets` has
    them, one frame after the other.

    told_share: share of the frames whose files tell the level at which they saturate. fused: stars
    are shown and laid over one another by compiled code, see `synth.compiled`.
    """
    parts = [_stars(tiles, told_share) for tiles in batches]
    shown = (_fused_show() if fused else show)(
        *(torch.cat(column) for column in zip(*parts, strict=True))
    )
    return shown.cutouts, shown.facts, shown.stack, shown.shape


@cache
def _fused_show() -> Callable[..., Shown]:
    """For one number of frames, as the batches of a training have."""
    return torch.compile(show)  # type: ignore[no-any-return]


def _stars(tiles: StarTiles, told_share: float) -> tuple[Tensor, ...]:
    """What `classifier.sheet.show` takes, for tiles of one size."""
    numbers = tiles.numbers
    gain = numbers["gain_e_adu"]
    half_noise = sky_noise2_e(tiles.sky_e, numbers).sum(1).sqrt() / 4 / gain
    level = (tiles.sky_e.mean(1) + numbers["dark_e"] + tiles.lift_e) / gain + numbers["offset_adu"]
    flat = tiles.pixels.flatten(0, 1)
    pictures = [halved(flat).view(*tiles.pixels.shape[:2], *[tiles.side_px // 2] * 2)]
    pictures[0] -= level[:, None, None, None]
    while pictures[-1].shape[-1] // 2 >= 5:
        coarser = halved(pictures[-1].flatten(0, 1))
        pictures.append(coarser.view(*tiles.pixels.shape[:2], *coarser.shape[-2:]))
    noises = half_noise[:, None] * RESPONSE_SIGMA * tiles.crowding
    found = [
        _points(tiles, picture, scale, noise / scale)
        for picture, scale, noise in zip(pictures, SCALES, noises.unbind(1), strict=False)
    ]
    best = torch.stack([score for _, _, score in found], 1).argmax(1)
    batch = torch.arange(len(tiles), device=flat.device)
    place, snr = (torch.stack(part, 1)[batch, best] for part in list(zip(*found, strict=True))[:2])
    binning = constant(CUT_BINNING, flat.device, torch.long)[best]

    tile = torch.arange(TILES, device=flat.device).repeat_interleave(POINTS).expand_as(snr)
    picture_of = batch[:, None] * TILES + tile
    peak = _cut(flat, picture_of, place.round().long(), 8).amax((2, 3))
    saturated = peak >= 0.95 * _full(tiles, told_share)[:, None]
    order = ranking(snr, saturated)
    picture_of, snr, saturated = (v.gather(1, order) for v in (picture_of, snr, saturated))
    place = place.gather(1, order[..., None].expand(-1, -1, 2))
    coarsest = CUT_BINNING[len(pictures) - 1]
    levels = [flat, *(picture.flatten(0, 1) for picture in pictures)][: coarsest.bit_length()]
    is_cfa = numbers["is_cfa"] > 0.5 if tiles.is_colour else None
    cutouts = _cut_all(levels, is_cfa, picture_of, place, binning)
    noise = 2 * half_noise
    origin = tiles.origin_px.flatten(0, 1)[picture_of]
    size = constant(tiles.size_px[::-1], place.device)
    at = torch.where(snr[..., None] > 0, 2 * (place + origin) / size - 1, 0.0)
    return cutouts / noise[:, None, None, None], at, snr, saturated, binning


def _full(tiles: StarTiles, told_share: float) -> Tensor:
    """(b,) level at which pixels clip: told by the file, or seen where many pixels share it."""
    saturation = tiles.numbers["saturation_adu"]
    top = tiles.pixels.flatten(1).amax(1)
    piled = (tiles.pixels.flatten(1) >= 0.995 * top[:, None]).sum(1) >= 6
    # Which frames tell it is spread evenly over the batch: no draw is needed.
    told = torch.frac(tiles.rows * 0.6180339887) < told_share
    return torch.where(told, saturation, torch.where(piled, top, torch.inf))


def _points(
    tiles: StarTiles, picture: Tensor, scale: int, noise: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    """The best points of every tile at one scale.

    picture: (b, TILES, m, m) without the sky, cells of 2 * scale px, ADU; noise (b,) of the
    response. Returns places in their tiles, px (b, TILES * POINTS, 2), S/N, 0 where there is none,
    and the score of the scale (b,).
    """
    b, n, m, _ = picture.shape
    flat = picture.flatten(0, 1)
    own = flat[:, 1:-1, 1:-1]
    around = F.avg_pool2d(flat[:, None], 3, 1)[:, 0]
    beside = 0.5 * (flat[:, 1:-1, :-2] + flat[:, 1:-1, 2:])
    above = 0.5 * (flat[:, :-2, 1:-1] + flat[:, 2:, 1:-1])
    snr = 0.5 * (own + around) / noise.repeat_interleave(n)[:, None, None]
    good = (torch.minimum(beside, above) > 0.03 * own) & (snr > PEAK_SIGMA)
    good &= snr >= F.max_pool2d(snr[:, None], 5, 1, 2)[:, 0]
    good &= _near_the_star(tiles, m, scale).flatten(0, 1)
    value = torch.where(good, snr, 0.0).flatten(1)
    spots, values = [], []
    for _ in range(POINTS):
        most, spot = value.max(1)
        # One of several equal neighbours, as on a burnt-out top, is enough.
        row, column = torch.div(spot, m - 2, rounding_mode="floor"), spot % (m - 2)
        spots.append(torch.stack((column, row), 1))
        values.append(most)
        axis = torch.arange(m - 2, device=value.device)
        beyond = (axis - row[:, None]).abs()[:, :, None] > 2
        beyond = beyond | ((axis - column[:, None]).abs()[:, None] > 2)
        value = value * beyond.flatten(1)
    spot, snr = torch.stack(spots, 1) + 1, torch.stack(values, 1)
    if tiles.side_px >= RING_TILE_PX and m >= 23:
        snr = torch.where(_is_concentrated(flat, spot, noise.repeat_interleave(n)), snr, 0.0)
    place = ((spot + 0.5) * scale * 2 - 0.5).view(b, n * POINTS, 2)
    snr = torch.where(_is_own(tiles, place), snr.view(b, -1), 0.0)
    best = snr.topk(24, 1).values
    score = torch.log1p(best).mean(1) - SCALE_COST * SCALES.index(scale)
    return place, snr, score


def _near_the_star(tiles: StarTiles, cells: int, scale: int) -> Tensor:
    """(b, TILES, cells - 2, cells - 2) whether a cell is one where the tile's star may peak."""
    axis = (torch.arange(1, cells - 1, device=tiles.pixels.device) + 0.5) * scale * 2 - 0.5
    away = (tiles.stars_px - tiles.origin_px)[..., None] - axis
    reach = tiles.numbers["reach_px"][:, None, None] + SLACK_CELLS * 2 * scale
    near = (away.abs() <= reach[..., None]) & tiles.there[..., None, None]
    return near[:, :, 1, :, None] & near[:, :, 0, None, :]


def _is_own(tiles: StarTiles, place: Tensor) -> Tensor:
    """(b, TILES * POINTS) whether a point is in the frame and no nearer to another tile's star."""
    b = len(tiles)
    at = place.view(b, TILES, POINTS, 2) + tiles.origin_px[:, :, None]
    size = constant(tiles.size_px[::-1], at.device)
    inside = ((at >= 0) & (at <= size - 1)).all(3)
    stars = torch.where(tiles.there[..., None], tiles.stars_px, -1e6)
    own = (at - stars[:, :, None]).square().sum(3).sqrt()
    x, y = at.view(b, -1, 1, 2).unbind(3)
    star_x, star_y = stars[:, None].unbind(3)
    nearest = ((x - star_x).square_() + (y - star_y).square_()).amin(2).sqrt()
    return ((own <= nearest.view(own.shape) + 0.5) & inside).flatten(1)


def _is_concentrated(flat: Tensor, spot: Tensor, noise: Tensor) -> Tensor:
    """(k, POINTS) whether most of a point's light lies within 5 cells, as on whole frames."""
    stamps = cut(flat, spot, 23).flatten(2)
    core, ring, far = (stamps.index_select(2, part) for part in _rings(flat.device))
    outside, around = middle(far), middle(ring)
    inside = (core - outside[..., None]).sum(2)
    rest = (around - outside - 0.3 * noise[:, None]).clamp_min(0) * AREA_5_TO_11
    return inside > rest


@lru_cache(maxsize=4)
def _rings(device: torch.device) -> tuple[Tensor, ...]:
    """Flat places in a stamp within 5 cells of its middle, from there to 9, and beyond."""
    radius = radius_px(23, device).flatten()
    parts = radius <= 5, (radius > 5) & (radius <= 9), radius > 9
    return tuple(part.nonzero()[:, 0] for part in parts)


@lru_cache(maxsize=4)
def _rim(device: torch.device) -> Tensor:
    """Flat places of a cut-out that show the sky."""
    return (radius_px(CUT_PX, device) > 14).flatten().nonzero()[:, 0]


def _cut(pictures: Tensor, of: Tensor, centre: Tensor, side: int) -> Tensor:
    """(k, m, m), (b, n) which picture, (b, n, 2) integer x, y -> (b, n, side, side)."""
    one = cut(pictures, centre.view(-1, 1, 2), side, of.flatten())
    return one.view(*of.shape, side, side)


def _cut_all(
    levels: list[Tensor], is_cfa: Tensor | None, of: Tensor, place: Tensor, binning: Tensor
) -> Tensor:
    """Sky-subtracted cut-outs (b, n, 32, 32), ADU.

    levels: (k, m, m) pixels, their means of 2 x 2, 4 x 4, ...; is_cfa: (b,), None = no frame; of,
    place: (b, n) which of the k, (b, n, 2) where in it, px; binning: (b,).
    """
    device = place.device
    # One list of all pixels: every frame takes its own level without a question to the device.
    flat = torch.cat([level.flatten() for level in levels])
    ends = [0]
    for level in levels:
        ends.append(ends[-1] + level.numel())
    which = binning.float().log2().long()
    start, side = (
        constant(tuple(numbers), device, torch.long)[which][:, None]
        for numbers in (ends[:-1], [level.shape[-1] for level in levels])
    )
    spot = ((place + 0.5) / binning[:, None, None] - 0.5).round().long()
    steps = torch.arange(CUT_PX + 2, device=device) - (CUT_PX + 2) // 2
    last = (side - 1)[..., None]
    x, y = (torch.minimum((spot[..., i, None] + steps).clamp_min(0), last) for i in (0, 1))
    rows = (start + of * side**2)[..., None] + y * side[..., None]
    at = rows[..., None] + x[..., None, :]
    stamps = flat.index_select(0, at.flatten()).view(at.shape)
    out = stamps[..., 1:-1, 1:-1]
    if is_cfa is not None:
        blurred = (is_cfa & (binning == 1))[:, None, None, None]
        out = torch.where(blurred, binomial(stamps), out)
    rim = out.flatten(2).index_select(2, _rim(device))
    return out - middle(rim)[..., None, None]
