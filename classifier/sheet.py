"""The star sheet: cut-outs of a frame's stars, their stack, and the stack's shape in numbers.

Stars are looked for at five blur scales, so that needle-sharp stars and donuts are both seen as
one star each; the scale at which the frame's stars stand out best sets the sampling of the
cut-outs. A peak counts as a star only when its neighbours share its light: hot pixels do not.
Torch, batched, CPU and GPU.
"""

from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.surface import Surface

STARS = 64
CUT_PX = 32
# Blur scales in units of the half-size picture, and the binning of the cut-outs for each.
SCALES = (1, 2, 4, 8, 16)
CUT_BINNING = (1, 1, 2, 4, 8)

SHAPE_FACTS: tuple[str, ...] = (
    "log_fwhm_px",
    "log_hfr_px",
    "log_star_count",
    "elongation",
    "stretch_cos",
    "stretch_sin",
    "coherence",
    "dip",
    "lopsided",
    "lopsided_inner",
    "halo",
    "outer_over_inner_width",
    "radial_stretch",
    "log_star_flux",
    "log_sky",
    "log_noise",
    "saturated_share",
    "log_cut_binning",
    "log_width_px",
    "log_height_px",
)


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
    stack, shape = _stack_and_shape(cutouts, position, usable, binning)
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
    radius = _radius(23, picture.device)
    rim = stamps.flatten(2)[..., (radius > 9).flatten()].median(2).values
    light = stamps - rim[..., None, None]
    inner = (light * (radius <= 5)).sum((2, 3))
    whole = (light.clamp_min(0) * (radius <= 11)).sum((2, 3)).clamp_min(1e-6)
    return inner / whole


def _radius(side: int, device: torch.device) -> Tensor:
    axis = torch.arange(side, device=device) - side // 2
    return (axis[:, None].float() ** 2 + axis[None].float() ** 2).sqrt()


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
    rim = (_radius(CUT_PX, pixels.device) > 14).flatten()
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


def _stack_and_shape(
    cutouts: Tensor, position: Tensor, usable: Tensor, binning: Tensor
) -> tuple[Tensor, Tensor]:
    """Stacks of centred stars and the numbers read off them: (B, 4, 32, 32), (B, 12)."""
    light = cutouts / cutouts.clamp_min(0).sum((2, 3)).clamp_min(1e-6)[..., None, None]
    centred, moments = _centre(light)
    radius = position.norm(dim=2)
    everything = _mean_star(centred, usable)
    inner = _mean_star(centred, usable * (radius < 0.55))
    inner = torch.where((inner.abs().sum((1, 2)) > 0)[:, None, None], inner, everything)
    turned = _mean_star(_turn_to_centre(centred, position), usable * (radius > 0.4))
    # Half a turn about pixel side // 2, where the star sits; a bare flip turns about a corner.
    lopsided = inner - torch.roll(inner.flip(1, 2), (1, 1), (1, 2))
    shown = torch.stack((everything, inner, turned, lopsided), 1)
    scale = everything.amax((1, 2)).clamp_min(1e-6)[:, None, None, None]
    shown = torch.asinh(10 * shown / scale) / 3

    fwhm, hfr, dip, halo = _profile(everything)
    xx, yy, xy = moments.unbind(2)
    size = (xx + yy).clamp_min(1e-3)
    weight = usable / usable.sum(1, keepdim=True).clamp_min(1e-6)
    stretch_1 = (weight * (xx - yy) / size).sum(1)
    stretch_2 = (weight * 2 * xy / size).sum(1)
    own = (weight * (((xx - yy) ** 2 + 4 * xy**2).sqrt() / size)).sum(1)
    stretch = (stretch_1**2 + stretch_2**2).sqrt()
    # Axis ratio of the light from e = (a2 - b2) / (a2 + b2).
    bounded = stretch.clamp(0, 0.95)
    elongation = ((1 + bounded) / (1 - bounded)).sqrt()
    outer_w = weight * (radius > 0.7)
    inner_w = weight * (radius < 0.5)
    outer_size = (outer_w * size).sum(1) / outer_w.sum(1).clamp_min(1e-6)
    inner_size = (inner_w * size).sum(1) / inner_w.sum(1).clamp_min(1e-6)
    both = (outer_w.sum(1) > 0) & (inner_w.sum(1) > 0)
    growth = torch.where(both, (outer_size / inner_size.clamp_min(1e-3)).clamp(0.2, 5), 1.0)
    angle = torch.atan2(position[..., 1], position[..., 0])
    radial = (
        weight * ((xx - yy) * torch.cos(2 * angle) + 2 * xy * torch.sin(2 * angle)) / size
    ).sum(1)
    native = binning.float()
    numbers = torch.stack(
        (
            (fwhm * native).log(),
            (hfr * native).log(),
            elongation,
            stretch_1,
            stretch_2,
            stretch / own.clamp_min(1e-3),
            dip,
            _lopsidedness(everything),
            _lopsidedness(inner),
            halo,
            growth.log(),
            radial,
        ),
        1,
    )
    return shown, numbers


def _centre(light: Tensor) -> tuple[Tensor, Tensor]:
    """Shift every star to the middle of its cut-out; also its moments xx, yy, xy, in px2."""
    side = light.shape[-1]
    axis = torch.arange(side, device=light.device, dtype=light.dtype) - side // 2
    x, y = axis[None, :], axis[:, None]
    cx = torch.zeros(light.shape[:2], device=light.device)
    cy = torch.zeros_like(cx)
    xx = yy = xy = torch.zeros_like(cx)
    width = torch.full_like(cx, 5.0)
    # A round window that follows the star: the window's own width is taken out at the end.
    for _ in range(4):
        dx, dy = x - cx[..., None, None], y - cy[..., None, None]
        window = torch.exp(-0.5 * (dx**2 + dy**2) / width[..., None, None] ** 2)
        weighed = light * window
        total = weighed.sum((2, 3)).clamp_min(1e-6)
        mx, my = (weighed * dx).sum((2, 3)) / total, (weighed * dy).sum((2, 3)) / total
        xx = (weighed * dx * dx).sum((2, 3)) / total - mx**2
        yy = (weighed * dy * dy).sum((2, 3)) / total - my**2
        xy = (weighed * dx * dy).sum((2, 3)) / total - mx * my
        cx = (cx + mx).clamp(-6, 6)
        cy = (cy + my).clamp(-6, 6)
        spread = ((xx + yy) / 2).clamp(0.3, 30.0)
        free = 1 / (1 / spread - 1 / width**2).clamp_min(1 / 40.0)
        width = (1.5 * free.sqrt()).clamp(1.5, 8.0)
    xx, yy, xy = _unwindow(xx, yy, xy, width)
    shift = torch.stack((cx, cy), 2).reshape(-1, 1, 1, 2) * (2 / side)
    still = torch.eye(2, 3, device=light.device)[None]
    grid = F.affine_grid(still, [1, 1, side, side], align_corners=False) + shift
    flat = light.reshape(-1, 1, side, side)
    moved = F.grid_sample(flat, grid, mode="bicubic", align_corners=False).reshape(light.shape)
    return moved, torch.stack((xx, yy, xy), 2)


def _unwindow(xx: Tensor, yy: Tensor, xy: Tensor, width: Tensor) -> tuple[Tensor, ...]:
    """Undo the Gaussian window: inverse covariances subtract (exact for a Gaussian star)."""
    det = (xx * yy - xy**2).clamp_min(1e-3)
    a = yy / det - 1 / width**2
    b = xx / det - 1 / width**2
    c = -xy / det
    back = (a * b - c**2).clamp_min(1e-4)
    return (
        (b / back).clamp(0.05, 80.0),
        (a / back).clamp(0.05, 80.0),
        (-c / back).clamp(-80.0, 80.0),
    )


def _mean_star(stars: Tensor, weight: Tensor) -> Tensor:
    """Weighted mean with each star held near the median star: neighbours and rays fade."""
    side = stars.shape[-1]
    weight = weight[..., None, None]
    unused = torch.where(weight > 0, stars, torch.nan)
    middle = unused.nanmedian(1, keepdim=True).values.nan_to_num(0.0)
    limit = 0.15 * middle.amax((2, 3), keepdim=True).clamp_min(0)
    clipped = torch.minimum(torch.maximum(stars, middle - limit), middle + limit)
    mean = (clipped * weight).sum(1) / weight.sum(1).clamp_min(1e-6)
    rim = _radius(side, stars.device) > side // 2 - 3
    return mean - mean.flatten(1)[:, rim.flatten()].median(1).values[:, None, None]


def _turn_to_centre(stars: Tensor, position: Tensor) -> Tensor:
    """Rotate each star so that the direction to the frame's centre is the same for all."""
    batch, count, side, _ = stars.shape
    angle = torch.atan2(position[..., 1], position[..., 0]).flatten()
    theta = torch.zeros(len(angle), 2, 3, device=stars.device)
    theta[:, 0, 0] = theta[:, 1, 1] = torch.cos(angle)
    theta[:, 0, 1], theta[:, 1, 0] = -torch.sin(angle), torch.sin(angle)
    grid = F.affine_grid(theta, [len(angle), 1, side, side], align_corners=False)
    # The star sits on pixel side // 2, half a pixel right of the grid's own middle.
    grid = grid + (1 / side) * (1 - theta[:, None, None, :, :2].sum(-1))
    turned = F.grid_sample(stars.reshape(-1, 1, side, side), grid, align_corners=False)
    return turned.reshape(stars.shape)


def _profile(star: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """FWHM, HFR (px of the stack), central dip, halo share of (B, side, side) stacks.

    Read off a four times finer grid, so that stars of little more than a pixel have a width.
    """
    fine, side = 4, star.shape[-1]
    big = F.interpolate(star[:, None], scale_factor=fine, mode="bicubic", align_corners=False)
    axis = (torch.arange(side * fine, device=star.device) + 0.5) / fine - 0.5 - side // 2
    radius = (axis[:, None] ** 2 + axis[None] ** 2).sqrt().flatten()
    last = (side // 2 - 1) * fine
    rings = (radius * fine).long().clamp_max(last)
    hits = F.one_hot(rings, last + 1).to(star.dtype)
    flat = big.flatten(1)
    sums = flat @ hits
    profile = (sums / hits.sum(0).clamp_min(1))[:, :-1]
    inside = sums[:, :-1].clamp_min(0).cumsum(1)
    share = inside / inside[:, -1:].clamp_min(1e-6)
    hfr = (_crossing(share, 0.5) + 1) / fine
    top = profile.amax(1, keepdim=True).clamp_min(1e-9)
    area = (flat >= 0.5 * top).float().sum(1) / fine**2
    fwhm = 2 * (area.clamp_min(0.3) / torch.pi).sqrt()
    dip = profile[:, :2].mean(1) / top[:, 0]
    halo = 1 - _value_at(share, 3 * hfr * fine)
    return fwhm, hfr.clamp_min(0.3), dip, halo


def _crossing(curve: Tensor, level: float) -> Tensor:
    """Position at which rising curves (B, n) first reach `level`, linearly interpolated."""
    above = (curve >= level).float().argmax(1)
    below = (above - 1).clamp_min(0)
    rows = torch.arange(len(curve), device=curve.device)
    low, high = curve[rows, below], curve[rows, above]
    part = torch.where(above > 0, (level - low) / (high - low).clamp_min(1e-6), 0.0)
    return torch.where(above > 0, below + part, torch.full_like(low, 0.0))


def _value_at(curve: Tensor, where: Tensor) -> Tensor:
    rows = torch.arange(len(curve), device=curve.device)
    low = where.floor().long().clamp(0, curve.shape[1] - 2)
    part = (where - low).clamp(0, 1)
    return curve[rows, low] * (1 - part) + curve[rows, low + 1] * part


def _lopsidedness(star: Tensor) -> Tensor:
    """Length of the third moment over the 1.5th power of the second, in the bright part."""
    side = star.shape[-1]
    axis = torch.arange(side, device=star.device, dtype=star.dtype) - side // 2
    x, y = axis[None, None, :], axis[None, :, None]
    light = star.clamp_min(0) * (star > 0.05 * star.amax((1, 2), keepdim=True))
    total = light.sum((1, 2)).clamp_min(1e-6)
    mx, my = (light * x).sum((1, 2)) / total, (light * y).sum((1, 2)) / total
    dx, dy = x - mx[:, None, None], y - my[:, None, None]
    square = dx**2 + dy**2
    second = ((light * square).sum((1, 2)) / total).clamp_min(0.1)
    third_x, third_y = (light * square * dx).sum((1, 2)), (light * square * dy).sum((1, 2))
    return (third_x**2 + third_y**2).sqrt() / total / second**1.5


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
