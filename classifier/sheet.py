"""The star sheet: cut-outs of a frame's stars, with their stack and shape from `star_shape`.

Stars are looked for at five blur scales, so that needle-sharp stars and donuts are both seen as
one star each; the scale at which the frame's stars stand out best sets the sampling of the
cut-outs. A peak counts as a star only when its neighbours share its light: hot pixels do not.
Torch, batched, CPU and GPU.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.star_shape import SHAPE_FACTS, radius_px, stack_and_shape
from classifier.surface import Surface

__all__ = ["SHAPE_FACTS", "Sheet", "cut", "cut_sheet"]

STARS = 64
CUT_PX = 32
# Blur scales in units of the half-size picture, and the binning of the cut-outs for each.
SCALES = (1, 2, 4, 8, 16)
CUT_BINNING = (1, 1, 2, 4, 8)


@dataclass(frozen=True)
class Sheet:
    """cutouts (B, 64, 32, 32), facts (B, 64, 5), stack (B, 4, 32, 32), shape (B, 20).

    stars_px (B, 64, 3): x, y and cut-out side in frame pixels, best star first; brightest_px
    (B, 64, 2): the same stars, saturated ones included, brightest first. Places without a star
    hold zeros in every array and sit at the frame's centre.
    """

    cutouts: Tensor
    facts: Tensor
    stack: Tensor
    shape: Tensor
    stars_px: Tensor
    brightest_px: Tensor


def cut(pictures: Tensor, centre: Tensor, side: int) -> Tensor:
    """(B, h, w), (B, n, 2) integer x, y -> (B, n, side, side); edges are repeated."""
    batch, height, width = pictures.shape
    steps = torch.arange(side, device=pictures.device) - side // 2
    x = (centre[..., 0, None] + steps).clamp(0, width - 1)
    y = (centre[..., 1, None] + steps).clamp(0, height - 1)
    frame = torch.arange(batch, device=pictures.device)[:, None, None, None]
    return pictures[frame, y[..., :, None], x[..., None, :]]


def cut_sheet(pixels: Tensor, surface: Surface, is_cfa: Tensor, saturation_adu: Tensor) -> Sheet:
    """(B, H, W) ADU with its Surface -> Sheet."""
    full = _full_well(pixels, saturation_adu)
    found = [_peaks(surface, scale) for scale in SCALES]
    best = torch.stack([score for *_, score in found], 1).argmax(1)
    batch = torch.arange(len(pixels), device=pixels.device)
    place = torch.stack([place for place, *_ in found], 1)[batch, best]
    snr = torch.stack([snr for _, snr, *_ in found], 1)[batch, best]
    count = torch.stack([count for *_, count, _ in found], 1)[batch, best]
    binning = torch.tensor(CUT_BINNING, device=pixels.device)[best]

    cutouts = _cut_all(pixels, surface, is_cfa, place, binning)
    raw_peak = cut(pixels, place.round().long(), 8).amax((2, 3))
    saturated = raw_peak >= 0.95 * full[:, None]
    order = torch.where(saturated, snr * 1e-3, snr).argsort(1, descending=True)[:, :STARS]
    brightest = torch.gather(place, 1, _wide(snr.argsort(1, descending=True)[:, :STARS], 2))
    place = torch.gather(place, 1, _wide(order, 2))
    snr, saturated = snr.gather(1, order), saturated.gather(1, order)
    cutouts = cutouts[batch[:, None], order]
    valid = (snr > 0).float()

    size = torch.tensor([pixels.shape[2], pixels.shape[1]], device=pixels.device)
    position = (2 * place / size - 1) * valid[..., None]
    peak = cutouts.amax((2, 3)).clamp_min(1e-6)
    facts = torch.stack(
        (
            position[..., 0],
            position[..., 1],
            torch.log1p(snr) * valid / 3,
            saturated.float() * valid,
            valid,
        ),
        2,
    )
    shown = torch.asinh(10 * cutouts / peak[..., None, None]) / 3 * valid[..., None, None]
    usable = valid * (~saturated).float() * (snr > 12).float()
    # With no good star at all the saturated ones still tell how the light is spread.
    usable = torch.where(usable.sum(1, keepdim=True) > 0, usable, valid)
    stack, shape = stack_and_shape(cutouts, position, usable, binning)
    shape = torch.cat(
        (
            shape[:, :2],
            torch.log1p(count)[:, None] / 2,
            shape[:, 2:],
            _frame_facts(surface, snr, saturated.float() * valid, valid, binning, pixels.shape),
        ),
        1,
    )
    side = (CUT_PX * binning)[:, None].expand(-1, STARS).float()
    stars_px = torch.cat((place, side[..., None]), 2)
    return Sheet(shown, facts, stack, shape, stars_px, brightest)


def _wide(index: Tensor, last: int) -> Tensor:
    return index[..., None].expand(*index.shape, last)


def _full_well(pixels: Tensor, saturation_adu: Tensor) -> Tensor:
    """(B,) level at which pixels clip: the stated one, or a pile-up at the very top."""
    top = pixels.flatten(1).amax(1)
    piled = (pixels >= 0.995 * top[:, None, None]).flatten(1).sum(1) >= 6
    guess = torch.where(piled, top, torch.full_like(top, float("inf")))
    return torch.where(saturation_adu.isnan(), guess, saturation_adu)


def _peaks(surface: Surface, scale: int) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Stars at one blur scale: places in frame px (B, n, 2), S/N, count over 5 sigma, score."""
    excess = surface.half - surface.half_background
    blurred = F.avg_pool2d(excess[:, None], scale)[:, 0] if scale > 1 else excess
    batch, height, width = blurred.shape
    if min(height, width) < 12:
        nothing = torch.zeros(batch, 2 * STARS, device=blurred.device)
        places = torch.zeros(batch, 2 * STARS, 2, device=blurred.device)
        return places, nothing, nothing[:, 0], nothing[:, 0] - 1
    padded = F.pad(blurred[:, None], (1, 1, 1, 1), mode="reflect")
    smooth = F.avg_pool2d(padded, 3, 1)[:, 0]
    beside = 0.5 * (padded[:, 0, 1:-1, :-2] + padded[:, 0, 1:-1, 2:])
    above = 0.5 * (padded[:, 0, :-2, 1:-1] + padded[:, 0, 2:, 1:-1])
    # A star shares its light with its neighbours on every side; a hot pixel with none, a bad
    # column or row only along itself.
    shared = torch.minimum(beside, above) > 0.03 * blurred
    response = torch.where(shared, 0.5 * (smooth + blurred), 0.0 * smooth)
    noise = 1.4826 * response.flatten(1)[:, ::3].abs().median(1).values.clamp_min(1e-6)
    response = response / noise[:, None, None]
    # Rows and columns one after the other: the same maximum in a third of the time.
    local = F.max_pool2d(response[:, None], (5, 1), 1, (2, 0))
    local = F.max_pool2d(local, (1, 5), 1, (0, 2))[:, 0]
    edge = 2
    inside = torch.zeros_like(response, dtype=torch.bool)
    inside[:, edge:-edge, edge:-edge] = True
    peak = torch.where((response == local) & inside, response, torch.zeros_like(response))
    peak = torch.where(peak > 5, peak, torch.zeros_like(peak))
    count = (peak > 0).flatten(1).sum(1).float()
    snr, index = peak.flatten(1).topk(min(2 * STARS, peak[0].numel()), dim=1)
    snr = F.pad(snr, (0, 2 * STARS - snr.shape[1]))
    index = F.pad(index, (0, 2 * STARS - index.shape[1]))
    column, row = index % width, index // width
    concentrated = _concentration(blurred, column, row) > 0.5
    snr = torch.where(concentrated, snr, torch.zeros_like(snr))
    place = torch.stack((column, row), 2).float()
    place = (place + 0.5) * scale * 2 - 0.5
    centre = torch.tensor([surface.half.shape[2], surface.half.shape[1]], device=snr.device)
    place = torch.where(snr[..., None] > 0, place, centre.float())
    best = snr.sort(1, descending=True).values[:, :24]
    # A coarser scale has to win clearly: it also gathers nebulae and close pairs.
    score = torch.log1p(best).mean(1) - 0.12 * SCALES.index(scale)
    return place, snr, count, score


def _concentration(picture: Tensor, column: Tensor, row: Tensor) -> Tensor:
    """Share of a peak's light within 5 of 11 px, sky taken from the rim: low for nebulae."""
    stamps = cut(picture, torch.stack((column, row), 2), 23)
    radius = radius_px(23, picture.device)
    rim = stamps.flatten(2)[..., (radius > 9).flatten()].median(2).values
    light = stamps - rim[..., None, None]
    inner = (light * (radius <= 5)).sum((2, 3))
    whole = (light.clamp_min(0) * (radius <= 11)).sum((2, 3)).clamp_min(1e-6)
    return inner / whole


def _cut_all(
    pixels: Tensor, surface: Surface, is_cfa: Tensor, place: Tensor, binning: Tensor
) -> Tensor:
    """Sky-subtracted cut-outs (B, n, 32, 32) in units of the native pixel noise."""
    out = torch.zeros(*place.shape[:2], CUT_PX, CUT_PX, device=pixels.device)
    for size in sorted(set(binning.tolist())):
        chosen = torch.nonzero(binning == size)[:, 0]
        spots = place[chosen]
        if size == 1:
            stamps = cut(pixels[chosen], spots.round().long(), CUT_PX + 2)
            # The binomial blur gives every phase of a 2 x 2 mosaic the same weights.
            plain = stamps[..., 1:-1, 1:-1]
            out[chosen] = torch.where(is_cfa[chosen, None, None, None], _binomial(stamps), plain)
        else:
            picture = surface.half[chosen]
            step = size // 2
            picture = F.avg_pool2d(picture[:, None], step)[:, 0] if step > 1 else picture
            spot = (spots + 0.5) / size - 0.5
            out[chosen] = cut(picture, spot.round().long(), CUT_PX)
    rim = (radius_px(CUT_PX, pixels.device) > 14).flatten()
    sky = out.flatten(2)[..., rim].median(2).values
    return _without_hot((out - sky[..., None, None]) / surface.noise_adu[:, None, None, None])


def _without_hot(stamps: Tensor) -> Tensor:
    """Single pixels that share nothing with their neighbours take their neighbours' mean.

    Cut-outs are sampled so that a star covers several pixels, so none is lost by this.
    """
    side = stamps.shape[-1]
    flat = stamps.flatten(0, 1)
    padded = F.pad(flat[:, None], (1, 1, 1, 1), mode="reflect")[:, 0]
    brightest = torch.full_like(flat, -torch.inf)
    for dy in range(3):
        for dx in range(3):
            if (dy, dx) != (1, 1):
                neighbour = padded[:, dy : dy + side, dx : dx + side]
                brightest = torch.maximum(brightest, neighbour)
    brightest = brightest.reshape(stamps.shape)
    # A star of FWHM 1 px on a pixel's centre has 6.3 times the light of its best neighbour.
    alone = (stamps > 6) & (stamps > 6.5 * brightest.clamp_min(0) + 3)
    return torch.where(alone, brightest, stamps)


def _binomial(stamps: Tensor) -> Tensor:
    rows = stamps[..., :-2, :] + 2 * stamps[..., 1:-1, :] + stamps[..., 2:, :]
    return (rows[..., :-2] + 2 * rows[..., 1:-1] + rows[..., 2:]) / 16


def _frame_facts(
    surface: Surface,
    snr: Tensor,
    saturated: Tensor,
    valid: Tensor,
    binning: Tensor,
    shape: torch.Size,
) -> Tensor:
    """The last seven shape facts: levels as logarithms of ADU serve ratios within a run only."""
    flux = torch.log1p(snr[:, 4:24].mean(1)) + surface.half_noise.log()
    numbers = (
        flux,
        surface.sky_adu.clamp_min(1e-3).log(),
        surface.noise_adu.log(),
        saturated.sum(1) / valid.sum(1).clamp_min(1),
        binning.float().log(),
        torch.full_like(flux, shape[2]).log(),
        torch.full_like(flux, shape[1]).log(),
    )
    return torch.stack(numbers, 1)
