"""Peaks of a picture that are no stars: knots of nebulae, pieces of lines, single bright pixels.

A practised eye tells them by what the frame's stars have in common: a star's light is gathered
within a few pixels, goes on along no line, and is as wide as that of the others. Torch, batched,
CPU and GPU.
"""

from dataclasses import dataclass

import torch
from torch import Tensor

from classifier.kept_table import kept
from classifier.star_shape import binomial, cut, radius_px
from classifier.surface import Surface
from classifier.sweeps import middle, taken

STAMP_PX = 23  # side of what is looked at round a peak
CENTRE = STAMP_PX**2 // 2
AREA_5_TO_11 = 302  # px
GOOD_SNR = 12.0  # of peaks that tell what the frame's stars are like

LINES = 24  # directions in which a line is looked for
STEPS_PX = (5, 7, 9, 11)  # from the peak, to either side
ON_LINE = 0.3  # of the peak's height that a line has beside it
MATES, MATES_SHARE = 3, 0.15  # other peaks on the same line; a number, and of all that lie on lines

FINE_SCALES = 3  # scales, finest first, at which lines and single pixels can be as high as stars
WIDE_SHARE = 0.1  # of the good peaks are taken for wide ones, ...
WIDE_COUNT = 4  # ... so many at most where no star is as sharp as a pixel
SHARPER = 2.5  # times the brightest pixel's share of a wide peak's light is no star's
SURE_SIGMA = 3.0


@dataclass(frozen=True)
class Grain:
    """Single pixels of a batch of B frames.

    pixels: (B, H, W) ADU. noise_adu: (B,) sigma of one, or of one of the blurred mosaic.
    is_mosaic: (B,) pixels of several colours. is_soft: (B,) those, and pixels that share their
    noise with their neighbours: of neither a star fills one alone. least, most: (B,) limits between
    which the brightest pixel's share of a peak's light begins to be none of a star's.
    """

    pixels: Tensor
    noise_adu: Tensor
    is_mosaic: Tensor
    is_soft: Tensor
    least: Tensor
    most: Tensor


def grain_of(pixels: Tensor, surface: Surface, is_cfa: Tensor, full_adu: Tensor) -> Grain:
    """(B, H, W) ADU with its Surface, (B,) bool, (B,) level at which pixels clip -> Grain."""
    # The noise of neighbours over that of pixels two apart: 1 where every pixel is for itself, 0.7
    # where colours were interpolated, far over 1 on a mosaic. Steps as wide as the noise change it.
    ratio = surface.facts[:, -1].exp()
    is_mosaic = is_cfa | (ratio > 1.3)
    fine_steps = (surface.noise_adu > 1) & (full_adu > 255)
    is_soft = is_mosaic | ((ratio > 0.6) & (ratio < 0.8) & fine_steps)
    # The blur leaves a pixel 3 / 8 of its noise and 1 / 4 of its light, as the mean of interpolated
    # colours does. A Gaussian of FWHM 1.15 px on a pixel's centre gives it 0.5 of its light, one of
    # 1.3 px 0.18 after the blur. Short lenses draw stars so sharp; where the widest peaks are sharp
    # too, nothing of interpolated colours tells them from single pixels.
    noise = torch.where(is_mosaic, 0.375 * surface.noise_adu, surface.noise_adu)
    least = torch.where(is_soft, 0.18, 0.50)
    most = torch.where(is_mosaic, 0.20, torch.where(is_soft, 0.30, 0.75))
    return Grain(pixels, noise, is_mosaic, is_soft, least, most)


def are_stars(stamps: Tensor, place: Tensor, snr: Tensor, noise: Tensor, grain: Grain) -> Tensor:
    """Which peaks of a batch of frames, n at each of s scales, are stars: (B, s, n).

    stamps: (B, s, n, STAMP_PX^2) round them, ADU. place: (B, s, n, 2) column and row in the picture
    of the scale, whose pixels are 2, 4, 8, ... px of the frame. snr: (B, s, n), 0 where there is no
    peak. noise: (B, s) ADU that the S/N is against.
    """
    core, ring, rim = (taken(stamps, part) for part in _rings(stamps.device))
    outside = middle(rim)
    stars = _are_gathered(core, middle(ring), outside, noise)
    stamps, outside, place, snr, noise = (
        part[:, :FINE_SCALES] for part in (stamps, outside, place, snr, noise)
    )
    own = stamps[..., CENTRE] - outside
    others = _lie_on_lines(stamps, outside, place.float(), snr, noise)
    others |= _are_single_pixels(grain, place, own, snr)
    stars[:, :FINE_SCALES] &= ~others
    return stars


def _are_gathered(core: Tensor, around: Tensor, outside: Tensor, noise: Tensor) -> Tensor:
    """Whether most of a peak's light lies within 5 px: no for nebulae and wider rings.

    The light farther out is told by a median, which neighbours and hot pixels do not move; noise is
    that of the peaks' search, by which that median may be off.
    """
    inside = (core - outside[..., None]).sum(3)
    rest = (around - outside - 0.3 * noise[..., None]).clamp_min(0) * AREA_5_TO_11
    return inside > rest


def _lie_on_lines(
    stamps: Tensor, outside: Tensor, place: Tensor, snr: Tensor, noise: Tensor
) -> Tensor:
    """Pieces of a line of light: of a trail, a column, a row.

    Stars may be trailed themselves, all alike: only those count whose line runs through others.
    """
    where, cosine, sine = _lines(stamps.device)
    along = taken(stamps, where).unflatten(3, (len(STEPS_PX), 2, LINES))
    one, two, three, four = along.unbind(3)
    # The second lowest of four: a gap does not end a line, three stars in a row make none.
    low = torch.maximum(torch.minimum(one, two), torch.minimum(three, four))
    second = torch.minimum(low, torch.minimum(torch.maximum(one, two), torch.maximum(three, four)))
    light, line = second.amin(3).max(3)
    limit = torch.maximum(ON_LINE * (stamps[..., CENTRE] - outside), 2 * noise[..., None])
    on_line = (light - outside > limit) & (snr > 0)
    # Distances of all peaks across and along the line of each.
    turn = torch.stack((cosine[line], sine[line]), 3)
    back = torch.stack((-turn[..., 1], turn[..., 0]), 3)
    x_y = place.transpose(2, 3)
    off = (back @ x_y - (back * place).sum(3, keepdim=True)).abs()
    on = (turn @ x_y - (turn * place).sum(3, keepdim=True)).abs()
    mates = ((off < 0.08 * on + 0.5) & on_line[:, :, None]).sum(3) - 1
    enough = (MATES_SHARE * on_line.sum(2, keepdim=True)).clamp_min(MATES)
    return on_line & (mates >= enough)


def _are_single_pixels(grain: Grain, place: Tensor, own: Tensor, snr: Tensor) -> Tensor:
    """Peaks that owe too much of their light to one pixel of the frame.

    own: (B, s, n) height in the picture of the scale, ADU.
    """
    spots, tops, skies = [], [], []
    for number in range(place.shape[1]):
        side = 2 * 2**number + 2  # of the peak's cell with a rim of one pixel
        corner = place[:, number] * (side - 2)
        near = cut(grain.pixels, corner + side // 2 - 1, side + 2)
        skies.append(near[..., 2:-2, 2:-2].mean((2, 3)) - own[:, number])
        even = torch.where(
            grain.is_mosaic[:, None, None, None], binomial(near), near[..., 1:-1, 1:-1]
        )
        top, spot = even.flatten(2).max(2)
        row = torch.div(spot, side, rounding_mode="floor")
        spots.append(corner - 1 + torch.stack((spot - row * side, row), 2))
        tops.append(top)
    sky = torch.cat(skies, 1)
    near = cut(grain.pixels, torch.cat(spots, 1), 6)
    # Round a mosaic's pixel 6 x 6, of which as many are of each colour, else 5 x 5.
    whole, inner = near.sum((2, 3)) - 36 * sky, near[..., 1:, 1:].sum((2, 3)) - 25 * sky
    light = torch.where(grain.is_mosaic[:, None], whole, inner).clamp_min(1e-6).view(snr.shape)
    top = (torch.cat(tops, 1) - sky).view(snr.shape)
    # What the widest peaks give their brightest pixel; a few may be no stars.
    good = snr > GOOD_SNR
    shares = torch.where(good, top / light, torch.inf).sort(2).values
    rank = (WIDE_SHARE * good.sum(2, keepdim=True)).long()
    rank = torch.where(grain.is_soft[:, None, None], rank.clamp_max(WIDE_COUNT), rank)
    limit = torch.maximum(SHARPER * shares.gather(2, rank), grain.least[:, None, None])
    limit = torch.minimum(limit, grain.most[:, None, None])
    return top > limit * light + SURE_SIGMA * grain.noise_adu[:, None, None]


@kept(4)
def _rings(device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Flat places in a stamp within 5 px of its middle, from there to 9 px, and beyond."""
    radius = radius_px(STAMP_PX, device).flatten()
    parts = radius <= 5, (radius > 5) & (radius <= 9), radius > 9
    return tuple(part.nonzero()[:, 0] for part in parts)  # type: ignore[return-value]


@kept(4)
def _lines(device: torch.device) -> tuple[Tensor, Tensor, Tensor]:
    """Flat places in a stamp STEPS_PX from its middle to either side along LINES lines, by step,
    side and line; cosine and sine of the lines' angles."""
    angle = torch.arange(LINES, device=device) * (torch.pi / LINES)
    steps = torch.tensor(STEPS_PX, device=device)[:, None] * torch.tensor((1, -1), device=device)
    x, y = (
        (steps[..., None] * part).round().long() + STAMP_PX // 2
        for part in (angle.cos(), angle.sin())
    )
    return (y * STAMP_PX + x).flatten(), angle.cos(), angle.sin()
