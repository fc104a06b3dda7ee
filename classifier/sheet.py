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

from classifier.impostors import grain_of
from classifier.peaks import SCALES, Home, find_peaks
from classifier.star_shape import SHAPE_FACTS, binomial, cut, radius_px, stack_and_shape
from classifier.surface import Surface
from classifier.sweeps import asinh, constant, middle

__all__ = ["SHAPE_FACTS", "Sheet", "Shown", "binomial", "cut", "cut_sheet", "ranking", "show"]

STARS = 64
WINGS_PX = 48.0
CUT_PX = 32
# Binning of the cut-outs for each of the scales at which peaks are looked for.
CUT_BINNING = (1, 1, 2, 4, 8)
PILE_ROWS = 64


@dataclass(frozen=True)
class Sheet:
    """cutouts (B, 64, 32, 32), facts (B, 64, 5), stack (B, 4, 32, 32), shape (B, 20).

    stars_px (B, 64, 3): x, y and cut-out side in frame pixels, best star first; brightest_px
    (B, 64, 2): stars, saturated ones included, brightest first, peaks that lie on a brighter
    star's wings last. Places without a star
    hold zeros in every array and sit at the frame's centre.
    """

    cutouts: Tensor
    facts: Tensor
    stack: Tensor
    shape: Tensor
    stars_px: Tensor
    brightest_px: Tensor


def cut_sheet(
    pixels: Tensor,
    surface: Surface,
    is_cfa: Tensor,
    saturation_adu: Tensor,
    tops: Tensor | None = None,
    home: Home | None = None,
) -> Sheet:
    """(B, H, W) ADU with its Surface -> Sheet.

    tops: (B, H) highest values of rows, if at hand.
    home: for pictures put together from pieces of frames, see `Home`.
    """
    full = _full_well(pixels, saturation_adu, tops)
    pyramid = surface.pyramid
    *found, score = find_peaks(pyramid, grain_of(pixels, surface, is_cfa, full), home)
    best = score.argmax(1)
    batch = torch.arange(len(pixels), device=pixels.device)
    place, snr, count, noise = (part[batch, best] for part in found)
    binning = constant(CUT_BINNING, pixels.device, torch.long)[best]
    # What a peak holds in ADU: a star spread over a coarser grid's pixels is summed up again.
    flux_unit = noise * constant(SCALES, pixels.device, torch.long)[best] ** 2

    size = constant((pixels.shape[2], pixels.shape[1]), pixels.device)
    at = 2 * place / size - 1
    if home is not None:
        at = home(batch[:, None].expand(place.shape[:2]), place)[0]

    raw_peak = cut(pixels, place.round().long(), 8).amax((2, 3))
    saturated = raw_peak >= 0.95 * full[:, None]
    brightest = _apart(place, snr)
    order = ranking(snr, saturated)
    place, at = (torch.gather(each, 1, _wide(order, 2)) for each in (place, at))
    snr, saturated = snr.gather(1, order), saturated.gather(1, order)
    cutouts = _cut_all(pixels, pyramid, is_cfa, place, binning)
    shown = show(cutouts / surface.noise_adu[:, None, None, None], at, snr, saturated, binning)
    valid = shown.facts[..., 4]
    shape = torch.cat(
        (
            shown.shape[:, :2],
            torch.log1p(count)[:, None] / 2,
            shown.shape[:, 2:],
            _frame_facts(
                surface, snr, flux_unit, saturated.float() * valid, valid, binning, pixels.shape
            ),
        ),
        1,
    )
    side = (CUT_PX * binning)[:, None].expand(-1, STARS).float()
    stars_px = torch.cat((place, side[..., None]), 2)
    return Sheet(shown.cutouts, shown.facts, shown.stack, shape, stars_px, brightest)


def ranking(snr: Tensor, saturated: Tensor) -> Tensor:
    """(B, n) -> (B, STARS) numbers of the best stars, saturated ones last."""
    return torch.where(saturated, snr * 1e-3, snr).argsort(1, descending=True)[:, :STARS]


@dataclass(frozen=True)
class Shown:
    """Cut-outs, facts and stack as `Sheet` has them; shape (B, 12): what the stack alone gives."""

    cutouts: Tensor
    facts: Tensor
    stack: Tensor
    shape: Tensor


def show(cutouts: Tensor, at: Tensor, snr: Tensor, saturated: Tensor, binning: Tensor) -> Shown:
    """Stars as they are shown and laid over one another.

    cutouts: (B, n, 32, 32) without the sky, in units of the pixels' noise. at: (B, n, 2) places,
    -1 to 1 from edge to edge. snr: (B, n), 0 where there is no star. binning: (B,) of the cut-outs.
    """
    cutouts = _without_hot(cutouts)
    valid = (snr > 0).float()
    position = at * valid[..., None]
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
    shown = asinh(10 * cutouts / peak[..., None, None]) / 3 * valid[..., None, None]
    usable = valid * (~saturated).float() * (snr > 12).float()
    # With no good star at all the saturated ones still tell how the light is spread.
    usable = torch.where(usable.sum(1, keepdim=True) > 0, usable, valid)
    stack, shape = stack_and_shape(cutouts, position, usable, binning)
    return Shown(shown, facts, stack, shape)


def _wide(index: Tensor, last: int) -> Tensor:
    return index[..., None].expand(*index.shape, last)


def _full_well(pixels: Tensor, saturation_adu: Tensor, tops: Tensor | None) -> Tensor:
    """(B,) level at which pixels clip: the stated one, or a pile-up at the very top."""
    rows = pixels.amax(2) if tops is None else tops
    top = rows.amax(1)
    # Rows whose own maximum is low hold none of the pile; a pile in more rows shows in these too.
    highest, row = rows.topk(min(PILE_ROWS, rows.shape[1]), 1)
    frame, place = (highest >= 0.995 * top[:, None]).nonzero().unbind(1)
    count = (pixels[frame, row[frame, place]] >= 0.995 * top[frame, None]).sum(1)
    piled = torch.zeros(len(top), dtype=count.dtype, device=top.device)
    piled = piled.index_add_(0, frame, count) >= 6
    guess = torch.where(piled, top, torch.full_like(top, float("inf")))
    return torch.where(saturation_adu.isnan(), guess, saturation_adu)


def _cut_all(
    pixels: Tensor, pyramid: list[Tensor], is_cfa: Tensor, place: Tensor, binning: Tensor
) -> Tensor:
    """Sky-subtracted cut-outs (B, n, 32, 32), ADU."""
    out = torch.zeros(*place.shape[:2], CUT_PX, CUT_PX, device=pixels.device)
    for size in sorted(set(binning.tolist())):
        chosen = torch.nonzero(binning == size)[:, 0]
        at = place[chosen]
        if size == 1:
            stamps = cut(pixels, at.round().long(), CUT_PX + 2, chosen)
            # The binomial blur gives every phase of a 2 x 2 mosaic the same weights.
            plain = stamps[..., 1:-1, 1:-1]
            out[chosen] = torch.where(is_cfa[chosen, None, None, None], binomial(stamps), plain)
        else:
            picture = pyramid[(size // 2).bit_length() - 1]
            spot = (at + 0.5) / size - 0.5
            out[chosen] = cut(picture, spot.round().long(), CUT_PX, chosen)
    rim = (radius_px(CUT_PX, pixels.device) > 14).flatten()
    sky = middle(out.flatten(2)[..., rim])
    return out - sky[..., None, None]


def _apart(place: Tensor, snr: Tensor) -> Tensor:
    """(B, n, 2) places of peaks in px, (B, n) their S/N -> (B, STARS, 2), brightest first; those
    within WINGS_PX of a brighter one come last: they are bumps on its wings and spikes."""
    order = snr.argsort(1, descending=True)[:, :STARS]
    ranked, value = torch.gather(place, 1, _wide(order, 2)), snr.gather(1, order)
    near = torch.cdist(ranked, ranked) < WINGS_PX
    behind = near.tril(-1).any(2) | (value <= 0)
    again = behind.to(torch.uint8).argsort(dim=1, stable=True)
    return torch.gather(ranked, 1, _wide(again, 2))


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


def _frame_facts(
    surface: Surface,
    snr: Tensor,
    flux_unit: Tensor,
    saturated: Tensor,
    valid: Tensor,
    binning: Tensor,
    shape: torch.Size,
) -> Tensor:
    """The last seven shape facts: levels as logarithms of ADU serve ratios within a run only."""
    flux = torch.log1p(snr[:, 4:24].mean(1)) + flux_unit.log()
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
