"""The stacked star of a sheet and its shape in numbers.

Every good star of a frame is centred and laid over the others, which shows what they have in
common far below the noise of one. Torch, batched, CPU and GPU.
"""

from functools import lru_cache

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.kept_table import kept
from classifier.sweeps import asinh, constant, middle, ranked_by_bits

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

FINE = 4  # of the grid that profiles are read off, per pixel


def radius_px(side: int, device: torch.device) -> Tensor:
    axis = torch.arange(side, device=device) - side // 2
    return (axis[:, None].float() ** 2 + axis[None].float() ** 2).sqrt()


def cut(pictures: Tensor, centre: Tensor, side: int, of: Tensor | None = None) -> Tensor:
    """(B, h, w), (b, n, 2) integer x, y -> (b, n, side, side); edges are repeated.

    of: (b,) which pictures are meant; all, in their order, if None.
    """
    height, width = pictures.shape[1:]
    steps = torch.arange(side, device=pictures.device) - side // 2
    x = (centre[..., 0, None] + steps).clamp(0, width - 1)
    y = (centre[..., 1, None] + steps).clamp(0, height - 1)
    of = torch.arange(len(pictures), device=pictures.device) if of is None else of
    place = (of[:, None, None] * height + y)[..., :, None] * width + x[..., None, :]
    # By flat places: a fifth of the time of three lists of indices on a CPU.
    return pictures.reshape(-1).index_select(0, place.flatten()).view(place.shape)


def binomial(stamps: Tensor) -> Tensor:
    """(..., h, w) -> (..., h - 2, w - 2) blurred so that a 2 x 2 mosaic does not show."""
    rows = stamps[..., :-2, :] + 2 * stamps[..., 1:-1, :] + stamps[..., 2:, :]
    return (rows[..., :-2] + 2 * rows[..., 1:-1] + rows[..., 2:]) / 16


def stack_and_shape(
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
    shown = asinh(10 * shown / scale) / 3

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
    cx = torch.zeros(light.shape[:2], device=light.device)
    cy = torch.zeros_like(cx)
    xx = yy = xy = torch.zeros_like(cx)
    width = torch.full_like(cx, 5.0)
    # A round window that follows the star: the window's own width is taken out at the end.
    for _ in range(4):
        # It is a product of one over the columns and one over the rows: so are its moments.
        across, down = (_windowed(axis - at[..., None], width) for at in (cx, cy))
        sums = down.transpose(2, 3) @ (light @ across)  # by the power of y, then of x
        total = sums[..., 0, 0].clamp_min(1e-6)
        mx, my = sums[..., 0, 1] / total, sums[..., 1, 0] / total
        xx = sums[..., 0, 2] / total - mx**2
        yy = sums[..., 2, 0] / total - my**2
        xy = sums[..., 1, 1] / total - mx * my
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


def _windowed(away: Tensor, width: Tensor) -> Tensor:
    """(B, n, side) distances -> (B, n, side, 3): a Gaussian of `width` (B, n), times the distance,
    times its square."""
    weight = torch.exp(-0.5 * (away / width[..., None]).square())
    first = weight * away
    return torch.stack((weight, first, first * away), 3)


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
    weight = weight[..., None, None]
    typical = _median_star(stars, weight > 0)[:, None]
    limit = 0.15 * typical.amax((2, 3), keepdim=True).clamp_min(0)
    clipped = torch.minimum(torch.maximum(stars, typical - limit), typical + limit)
    mean = (clipped * weight).sum(1) / weight.sum(1).clamp_min(1e-6)
    return mean - _of_rim(mean)[:, None, None]


def _of_rim(pictures: Tensor) -> Tensor:
    """(B, side, side) -> (B,) medians of the rims."""
    side, places = pictures.shape[-1], rim_places(pictures.shape[-1])
    if torch.compiler.is_compiling():  # which could not take a mask's places out
        inside = radius_px(side, pictures.device) <= side // 2 - 3
        masked = _round_the_square(pictures.masked_fill(inside, torch.inf))
        return ranked_by_bits(masked, (len(places) + 1) // 2)
    flat = pictures.flatten(1)
    return middle(flat.index_select(1, constant(places, flat.device, torch.long)))


def _round_the_square(pictures: Tensor) -> Tensor:
    """(B, side, side) -> (B, n): all but a square in the middle that holds nothing of the rim."""
    side = pictures.shape[-1]
    half = int((side // 2 - 3) / 2**0.5)
    low, high = side // 2 - half, side // 2 + half + 1
    beside = pictures[:, low:high]
    parts = pictures[:, :low], pictures[:, high:], beside[..., :low], beside[..., high:]
    return torch.cat([part.flatten(1) for part in parts], 1)


@lru_cache(maxsize=8)
def rim_places(side: int) -> tuple[int, ...]:
    """Flat places of a picture of side x side px that lie farther from its middle than three pixels
    less than half its side."""
    middle_px, squared = side // 2, (side // 2 - 3) ** 2
    return tuple(
        row * side + column
        for row in range(side)
        for column in range(side)
        if (row - middle_px) ** 2 + (column - middle_px) ** 2 > squared
    )


def _median_star(stars: Tensor, used: Tensor) -> Tensor:
    """(B, n, side, side) and (B, n, 1, 1) bool -> (B, side, side) medians of those used, lower of
    two where their number is even, 0 without any."""
    if stars.device.type == "cpu":
        each = [one[mask.flatten()].flatten(1) for one, mask in zip(stars, used, strict=True)]
        found = [middle(one.T) if len(one) else one.new_zeros(one.shape[1]) for one in each]
        return torch.stack(found).reshape(-1, *stars.shape[2:])
    if torch.compiler.is_compiling():
        return _median_by_bits(stars, used)
    unused = torch.where(used, stars, torch.nan)
    # Laid out so that the stars' values of one pixel lie side by side: far faster to sort.
    ordered = unused.flatten(2).transpose(1, 2).contiguous()
    return ordered.nanmedian(2).values.nan_to_num(0.0).reshape(-1, *stars.shape[2:])


def _median_by_bits(stars: Tensor, used: Tensor) -> Tensor:
    """What `_median_star` gives, for torch's compiler."""
    rank = (used.sum((1, 2, 3), dtype=torch.int32) + 1) // 2
    pixels = torch.where(used, stars, torch.inf).flatten(2).transpose(1, 2)
    found = ranked_by_bits(pixels, rank[:, None]).view(-1, *stars.shape[2:])
    return torch.where((rank > 0)[:, None, None], found, 0.0)


def _turn_to_centre(stars: Tensor, position: Tensor) -> Tensor:
    """Rotate each star so that the direction to the frame's centre is the same for all."""
    _batch, _count, side, _ = stars.shape
    angle = torch.atan2(position[..., 1], position[..., 0]).flatten()
    theta = torch.zeros(len(angle), 2, 3, device=stars.device)
    theta[:, 0, 0] = theta[:, 1, 1] = torch.cos(angle)
    theta[:, 0, 1], theta[:, 1, 0] = -torch.sin(angle), torch.sin(angle)
    grid = F.affine_grid(theta, [len(angle), 1, side, side], align_corners=False)
    # The star sits on pixel side // 2, half a pixel right of the grid's own middle.
    grid = grid + (1 / side) * (1 - theta[:, None, None, :, :2].sum(-1))
    turned = F.grid_sample(stars.reshape(-1, 1, side, side), grid, align_corners=False)
    return turned.reshape(stars.shape)


@kept(4)
def _rings(side: int, device: torch.device) -> Tensor:
    """((FINE side)^2, n) 1 where a fine pixel lies in a ring about pixel side // 2, the last ring
    being all that is farther out."""
    axis = (torch.arange(side * FINE, device=device) + 0.5) / FINE - 0.5 - side // 2
    radius = (axis[:, None] ** 2 + axis[None] ** 2).sqrt().flatten()
    last = (side // 2 - 1) * FINE
    return F.one_hot((radius * FINE).long().clamp_max(last), last + 1).float()


def _profile(star: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """FWHM, HFR (px of the stack), central dip, halo share of (B, side, side) stacks.

    Read off a four times finer grid, so that stars of little more than a pixel have a width.
    """
    side, fine = star.shape[-1], FINE
    big = F.interpolate(star[:, None], scale_factor=fine, mode="bicubic", align_corners=False)
    hits = _rings(side, star.device).to(star.dtype)
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
