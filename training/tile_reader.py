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

from classifier.impostors import AREA_5_TO_11
from classifier.peaks import PEAK_SIGMA, SCALES
from classifier.sheet import CUT_BINNING, CUT_PX, Shown, binomial, ranking, show
from classifier.star_shape import cut, radius_px
from classifier.sweeps import constant, halved, middle
from synth.compiled import made
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
    are found, shown and laid over one another by compiled code, see `synth.compiled`.
    """
    parts = [_stars(tiles, told_share, fused) for tiles in batches]
    shown = (_fused_show() if fused else show)(
        *(torch.cat(column) for column in zip(*parts, strict=True))
    )
    return shown.cutouts, shown.facts, shown.stack, shown.shape


@cache
def _fused_show() -> Callable[..., Shown]:
    """For one number of frames, as the batches of a training have."""
    return torch.compile(show)  # type: ignore[no-any-return]


def _stars(tiles: StarTiles, told_share: float, fused: bool) -> tuple[Tensor, ...]:
    """What `classifier.sheet.show` takes, for tiles of one size."""
    numbers, device = tiles.numbers, tiles.pixels.device
    gain = numbers["gain_e_adu"]
    half_noise = sky_noise2_e(tiles.sky_e, numbers).sum(1).sqrt() / 4 / gain
    level = (tiles.sky_e.mean(1) + numbers["dark_e"] + tiles.lift_e) / gain + numbers["offset_adu"]
    pictures = made(_pictures, fused)(tiles.pixels, level)
    noises = half_noise[:, None] * RESPONSE_SIGMA * tiles.crowding
    found = [
        _points(tiles, picture, scale, noise / scale, fused)
        for picture, scale, noise in zip(pictures, SCALES, noises.unbind(1), strict=False)
    ]
    best = torch.stack([score for _, _, score in found], 1).argmax(1)
    batch = torch.arange(len(tiles), device=device)
    place, snr = (torch.stack(part, 1)[batch, best] for part in list(zip(*found, strict=True))[:2])
    binning = constant(CUT_BINNING, device, torch.long)[best]

    tile = torch.arange(TILES, device=device).repeat_interleave(POINTS).expand_as(snr)
    picture_of = batch[:, None] * TILES + tile
    flat = tiles.pixels.flatten(0, 1)
    peak = made(_peaks, fused)(flat, picture_of, place)
    saturated = peak >= 0.95 * _full(tiles, told_share, fused)[:, None]
    order = ranking(snr, saturated)
    picture_of, snr, saturated = (v.gather(1, order) for v in (picture_of, snr, saturated))
    place = place.gather(1, order[..., None].expand(-1, -1, 2))
    coarsest = CUT_BINNING[len(pictures) - 1]
    levels = [flat, *(picture.flatten(0, 1) for picture in pictures)][: coarsest.bit_length()]
    is_cfa = numbers["is_cfa"] > 0.5 if tiles.is_colour else None
    noise = 2 * half_noise
    cutouts = _cut_all(levels, is_cfa, picture_of, place, binning, noise, fused)
    origin = tiles.origin_px.flatten(0, 1)[picture_of]
    size = constant(tiles.size_px[::-1], device)
    at = torch.where(snr[..., None] > 0, 2 * (place + origin) / size - 1, 0.0)
    return cutouts, at, snr, saturated, binning


def _pictures(pixels: Tensor, level: Tensor) -> tuple[Tensor, ...]:
    """Means of 2 x 2 pixels (b, n, m, m) less the level (b,), of 4 x 4, and so on, as long as there
    are five cells a side."""
    pictures = [_half(pixels) - level[:, None, None, None]]
    while pictures[-1].shape[-1] // 2 >= 5:
        pictures.append(_half(pictures[-1]))
    return tuple(pictures)


def _half(picture: Tensor) -> Tensor:
    """(b, n, m, m) -> (b, n, m / 2, m / 2) means of 2 x 2."""
    if picture.device.type == "cpu" and not torch.compiler.is_compiling():
        coarser = halved(picture.flatten(0, 1))
        return coarser.view(*picture.shape[:2], *coarser.shape[1:])
    return F.avg_pool2d(picture, 2)


def _full(tiles: StarTiles, told_share: float, fused: bool) -> Tensor:
    """(b,) level at which pixels clip: told by the file, or seen where many pixels share it."""
    saturation = tiles.numbers["saturation_adu"]
    if told_share >= 1:
        return saturation
    # Which frames tell it is spread evenly over the batch: no draw is needed.
    told = torch.frac(tiles.rows * 0.6180339887) < told_share
    return torch.where(told, saturation, made(_piled, fused)(tiles.pixels))


def _piled(pixels: Tensor) -> Tensor:
    """(b,) the highest value where many pixels share it, else infinite."""
    top = pixels.amax((1, 2, 3))
    piled = (pixels >= 0.995 * top[:, None, None, None]).sum((1, 2, 3)) >= 6
    return torch.where(piled, top, torch.inf)


def _peaks(flat: Tensor, of: Tensor, place: Tensor) -> Tensor:
    """(b, n) highest value within 4 px of places (b, n, 2) in pictures `of` (b, n), (k, m, m)."""
    near = cut(flat, place.round().long().view(-1, 1, 2), 8, of.flatten())
    return near.amax((1, 2, 3)).view(of.shape)


def _points(
    tiles: StarTiles, picture: Tensor, scale: int, noise: Tensor, fused: bool
) -> tuple[Tensor, Tensor, Tensor]:
    """The best points of every tile at one scale.

    picture: (b, TILES, m, m) without the sky, cells of 2 * scale px, ADU; noise (b,) of the
    response. Returns places in their tiles, px (b, TILES * POINTS, 2), S/N, 0 where there is none,
    and the score of the scale (b,).
    """
    b, n, m, _ = picture.shape
    place_of_star = tiles.stars_px - tiles.origin_px
    reach = tiles.numbers["reach_px"] + SLACK_CELLS * 2 * scale
    near = made(_near_the_star, fused)(place_of_star, tiles.there, reach, m, float(2 * scale))
    spot, snr = made(_brightest, fused)(picture, noise, near)
    if tiles.side_px >= RING_TILE_PX and m >= 23:
        work = made(_is_concentrated, fused)
        rings = _rings(picture.device)
        snr = torch.where(work(picture.flatten(0, 1), spot, noise, *rings), snr, 0.0)
    place = ((spot + 0.5) * scale * 2 - 0.5).view(b, n * POINTS, 2)
    is_own = made(_is_own, fused)(place, tiles.origin_px, tiles.stars_px, tiles.there)
    size = constant(tiles.size_px[::-1], place.device)
    at = place.view(b, n, POINTS, 2) + tiles.origin_px[:, :, None]
    is_own = is_own & ((at >= 0) & (at <= size - 1)).all(3).flatten(1)
    snr = torch.where(is_own, snr.view(b, -1), 0.0)
    best = snr.topk(24, 1).values
    score = torch.log1p(best).mean(1) - SCALE_COST * SCALES.index(scale)
    return place, snr, score


def _near_the_star(
    away: Tensor, there: Tensor, reach: Tensor, cells: int, cell_px: float
) -> Tensor:
    """(b, TILES, cells - 2, cells - 2) whether a cell is one where the tile's star may peak.

    away: (b, TILES, 2) place of the star in its tile, px. reach: (b,) px.
    """
    axis = (torch.arange(1, cells - 1, device=away.device) + 0.5) * cell_px - 0.5
    off = (away[..., None] - axis).abs()
    near = (off <= reach[:, None, None, None]) & there[..., None, None]
    return near[:, :, 1, :, None] & near[:, :, 0, None, :]


def _brightest(picture: Tensor, noise: Tensor, near: Tensor) -> tuple[Tensor, Tensor]:
    """Column and row (b * TILES, POINTS, 2) of the best points of pictures (b, TILES, m, m), and
    their S/N (b * TILES, POINTS), 0 where there is none; near: which cells count, without rim."""
    own = picture[..., 1:-1, 1:-1]
    around = F.avg_pool2d(picture, 3, 1)
    beside = 0.5 * (picture[..., 1:-1, :-2] + picture[..., 1:-1, 2:])
    above = 0.5 * (picture[..., :-2, 1:-1] + picture[..., 2:, 1:-1])
    snr = 0.5 * (own + around) / noise[:, None, None, None]
    good = (torch.minimum(beside, above) > 0.03 * own) & (snr > PEAK_SIGMA)
    good &= snr >= F.max_pool2d(snr, 5, 1, 2)
    value = torch.where(good & near, snr, 0.0).flatten(0, 1)
    side = value.shape[-1]
    axis = torch.arange(side, device=value.device)
    spots, values = [], []
    for _ in range(POINTS):
        most, spot = value.flatten(1).max(1)
        # One of several equal neighbours, as on a burnt-out top, is enough.
        row, column = torch.div(spot, side, rounding_mode="floor"), spot % side
        spots.append(torch.stack((column, row), 1))
        values.append(most)
        beyond = ((axis - row[:, None]).abs() > 2)[:, :, None]
        value = value * (beyond | ((axis - column[:, None]).abs() > 2)[:, None])
    return torch.stack(spots, 1) + 1, torch.stack(values, 1)


def _is_own(place: Tensor, origin: Tensor, stars: Tensor, there: Tensor) -> Tensor:
    """(b, TILES * POINTS) whether a point is no nearer to another tile's star than to its own."""
    b, n = there.shape
    at = place.view(b, n, -1, 2) + origin[:, :, None]
    stars = torch.where(there[..., None], stars, -1e6)
    own = (at - stars[:, :, None]).square().sum(3).sqrt()
    x, y = at.view(b, -1, 1, 2).unbind(3)
    star_x, star_y = stars[:, None].unbind(3)
    nearest = ((x - star_x).square_() + (y - star_y).square_()).amin(2).sqrt()
    return own.flatten(1) <= nearest + 0.5


def _is_concentrated(
    flat: Tensor, spot: Tensor, noise: Tensor, core: Tensor, ring: Tensor, far: Tensor
) -> Tensor:
    """(k, POINTS) whether most of a point's light lies within 5 cells, as on whole frames.

    core, ring, far: see `_rings`. noise: (b,) of k / b pictures each.
    """
    stamps = cut(flat, spot, 23).flatten(2)
    inner, about, outer = (stamps.index_select(2, part) for part in (core, ring, far))
    outside, around = middle(outer), middle(about)
    inside = (inner - outside[..., None]).sum(2)
    of_tile = noise[:, None].expand(-1, len(spot) // len(noise)).reshape(-1, 1)
    rest = (around - outside - 0.3 * of_tile).clamp_min(0) * AREA_5_TO_11
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


def _cut_all(
    levels: list[Tensor],
    is_cfa: Tensor | None,
    of: Tensor,
    place: Tensor,
    binning: Tensor,
    noise: Tensor,
    fused: bool,
) -> Tensor:
    """Sky-subtracted cut-outs (b, n, 32, 32), in units of `noise` (b,).

    levels: (k, m, m) pixels, their means of 2 x 2, 4 x 4, ...; is_cfa: (b,), None = no frame; of,
    place: (b, n) which of the k, (b, n, 2) where in it, px; binning: (b,).
    """
    device = place.device
    # Every frame takes its own level without a question to the device: from the pixels, or from one
    # list of all the others.
    fine, coarse = levels[0].view(-1), torch.cat([level.flatten() for level in levels[1:]])
    ends = [0, 0]
    for level in levels[1:]:
        ends.append(ends[-1] + level.numel())
    which = binning.float().log2().long()
    start, side = (
        constant(tuple(numbers), device, torch.long)[which][:, None]
        for numbers in (ends[:-1], [level.shape[-1] for level in levels])
    )
    out = made(_cut, fused)(fine, coarse, start, side, is_cfa, of, place, binning)
    return made(_above_sky, fused)(out, noise, _rim(device))


def _cut(
    fine: Tensor,
    coarse: Tensor,
    start: Tensor,
    side: Tensor,
    is_cfa: Tensor | None,
    of: Tensor,
    place: Tensor,
    binning: Tensor,
) -> Tensor:
    """Cut-outs (b, n, 32, 32) from lists of pixels; start, side: (b, 1) of the frame's level."""
    spot = ((place + 0.5) / binning[:, None, None] - 0.5).round().long()
    steps = torch.arange(CUT_PX + 2, device=place.device) - (CUT_PX + 2) // 2
    last = (side - 1)[..., None]
    x, y = (torch.minimum((spot[..., i, None] + steps).clamp_min(0), last) for i in (0, 1))
    rows = (start + of * side**2)[..., None] + y * side[..., None]
    at = rows[..., None] + x[..., None, :]
    is_fine = (binning == 1)[:, None, None, None]
    own = fine.index_select(0, torch.where(is_fine, at, 0).flatten()).view(at.shape)
    other = coarse.index_select(0, torch.where(is_fine, 0, at).flatten()).view(at.shape)
    stamps = torch.where(is_fine, own, other)
    out = stamps[..., 1:-1, 1:-1]
    if is_cfa is None:
        return out
    return torch.where(is_cfa[:, None, None, None] & is_fine, binomial(stamps), out)


def _above_sky(cutouts: Tensor, noise: Tensor, rim: Tensor) -> Tensor:
    """Cut-outs less the median of their rims, in units of `noise` (b,)."""
    sky = middle(cutouts.flatten(2).index_select(2, rim))
    return (cutouts - sky[..., None, None]) / noise[:, None, None, None]
