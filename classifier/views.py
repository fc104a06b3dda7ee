"""What the network sees: a frame becomes a few small pictures and a vector of numbers.

This is the only preprocessing there is. Training and labelling call the same `make_views`, on
CPU and GPU, so a model never meets at the telescope what it did not meet in training. Nothing
here is in absolute ADU: levels are in units of the frame's own noise or sky.

    sky     the whole frame at 256 x 256: mean, star-suppressed, maximum, and relative to the sky
    sheet   64 star cut-outs, at the sampling where the frame's stars are best seen
    stack   the same stars laid over one another: all, inner half, turned to the centre, lopsided
    bright  the 4 brightest stars with their surroundings, in units of noise
    tiles   6 raw tiles at native sampling, colour mosaic untouched
    facts   numbers: shape of the stacked star, sky structure, lines, hot pixels, physics
    lines   only for networks that ask for it: how the light lies along the best lines
"""

from dataclasses import dataclass, fields
from typing import Any

import torch
import torch.nn.functional as F
from torch import Tensor

from classifier.frame_overview import Overview
from classifier.line_view import look_along
from classifier.lines import STAGES
from classifier.lit_part import filled, lit_part
from classifier.marks import (
    BLOB_FACTS,
    RING_FACTS,
    SPIKE_FACTS,
    blob_facts,
    ring_facts,
    spike_facts,
)
from classifier.peaks import Home
from classifier.sheet import SHAPE_FACTS, Sheet, cut, cut_sheet
from classifier.surface import SURFACE_FACTS, Surface, read_surface
from classifier.sweeps import asinh, constant, middle, running_max, sample, shrunk_maxima

SKY_PX = 256
SKY_CHANNELS = 5
PEAK = 2  # the channel of maxima
OPENED = 4  # the channel without stars
OPENED_PX = 11
BRIGHT_PX = 96
BRIGHT_STARS = 4
GLARING = 2  # of these
TILE_PX = 64
TILES = 6

PHYSICAL: tuple[str, ...] = (
    "exposure_s",
    "gain_e_adu",
    "read_noise_e",
    "offset_adu",
    "saturation_adu",
    "scale_arcsec",
    "focal_ratio",
    "binning",
    "is_cfa",
)

PHYSICAL_FACTS: tuple[str, ...] = (
    "log_exposure",
    "log_gain",
    "log_read_noise",
    "log_sky_over_read_noise",
    "log_scale",
    "log_focal_ratio",
    "log_fwhm_arcsec",
    "offset_known",
    "is_cfa",
)


@dataclass
class Views:
    """The views of a batch of B frames; float32 unless `half` was called.

    sky (B, 5, 256, 256), sheet (B, 64, 32, 32), sheet_facts (B, 64, 5), stack (B, 4, 32, 32),
    bright (B, 4, 96, 96), tiles (B, 6, 64, 64), facts (B, n), lines (B, m), as many as
    `line_view.LOOKS` says. Not for the network but for showing where: stars_px (B, 64, 3) x, y and
    cut-out side, line_px (B, 4), in frame pixels.
    """

    sky: Tensor
    sheet: Tensor
    sheet_facts: Tensor
    stack: Tensor
    bright: Tensor
    tiles: Tensor
    facts: Tensor
    lines: Tensor
    stars_px: Tensor
    line_px: Tensor

    def _each(self, change: Any) -> "Views":
        return Views(*(change(getattr(self, field.name)) for field in fields(self)))

    def to(self, device: torch.device | str) -> "Views":
        return self._each(lambda tensor: tensor.to(device))

    def half(self) -> "Views":
        return self._each(lambda tensor: tensor.half())

    def float(self) -> "Views":
        return self._each(lambda tensor: tensor.float())

    def __getitem__(self, index: Any) -> "Views":
        return self._each(lambda tensor: tensor[index])

    def __len__(self) -> int:
        return len(self.sky)

    @staticmethod
    def cat(parts: list["Views"]) -> "Views":
        names = [field.name for field in fields(Views)]
        return Views(*(torch.cat([getattr(part, name) for part in parts]) for name in names))


def physical_vector(facts: Any) -> Tensor:
    """Header facts (any object with the attributes) -> (len(PHYSICAL),), NaN = unknown."""

    def number(name: str) -> float:
        if name == "is_cfa":
            return 1.0 if getattr(facts, "bayer", None) else 0.0
        value = getattr(facts, name, None)
        return float("nan") if value is None else float(value)

    return torch.tensor([number(name) for name in PHYSICAL])


def make_views(
    pixels: Tensor, physical: Tensor, overview: Overview | None = None, lines: int = 0
) -> Views:
    """Frames of one shape -> views.

    pixels: (B, H, W) float32 ADU, finite, H and W at least 64. Raw mosaic where is_cfa is 1.
    physical: (B, len(PHYSICAL)) float32, NaN = unknown. overview: of the only frame, if at hand.
    lines: how lines are looked along, as `NetworkConfig.lines` says.
    """
    known = dict(zip(PHYSICAL, physical.unbind(1), strict=True))
    is_cfa = known["is_cfa"] > 0.5
    tops = None if overview is None else torch.from_numpy(overview.tops)[None]
    lit = lit_part(pixels, None if overview is None else torch.from_numpy(overview.half)[None])
    whole, pixels = pixels, filled(pixels, lit)
    # What is at hand of the frame is not of the filled one.
    overview = overview if pixels is whole else None
    surface = read_surface(pixels, is_cfa, known["offset_adu"], overview)
    home = None if pixels is whole else _inside(lit, whole.shape)
    sheet = cut_sheet(pixels, surface, is_cfa, known["saturation_adu"], tops, home)
    along = look_along(surface, lines, (pixels.shape[1], pixels.shape[2]))
    sky = _sky_view(surface)
    bright_noise = _bright_stars(surface, sheet)
    facts = torch.cat(
        (
            sheet.shape,
            surface.facts,
            torch.log1p(along.snr.clamp_min(0.0)),
            _physical_facts(known, surface, sheet),
            blob_facts(surface.calm),
            spike_facts(bright_noise, sheet.shape[:, 0].exp() / 2),
            ring_facts(sky[:, OPENED]),
        ),
        1,
    )
    return Views(
        sky=sky,
        sheet=sheet.cutouts,
        sheet_facts=sheet.facts,
        stack=sheet.stack,
        bright=asinh(bright_noise / 2.0) / 5.0,
        tiles=_tile_view(pixels, surface, sheet),
        facts=facts.nan_to_num(0.0).clamp(-20.0, 20.0),
        lines=along.told,
        stars_px=sheet.stars_px,
        line_px=along.best_px,
    )


def _inside(lit: Tensor, shape: torch.Size) -> Home:
    """For `find_peaks`: stars mirrored beyond the lit part of their frame (B, 4) do not count."""
    size = constant((shape[2], shape[1]), lit.device)

    def home(frame: Tensor, place: Tensor) -> tuple[Tensor, Tensor]:
        low, end = lit[frame, :2], lit[frame, 2:]
        return 2 * place / size - 1, ((place >= low) & (place < end)).all(-1)

    return home


FACT_COUNT = (
    len(SHAPE_FACTS)
    + len(SURFACE_FACTS)
    + STAGES
    + 2 * len(PHYSICAL_FACTS)
    + BLOB_FACTS
    + SPIKE_FACTS
    + RING_FACTS
)


def shape_facts(views: Views) -> Tensor:
    """The numbers of each frame that its run is compared on: (B, len(SHAPE_FACTS))."""
    return views.facts[:, : len(SHAPE_FACTS)]


def _sky_view(surface: Surface) -> Tensor:
    """Five channels at 256 x 256."""
    mean, calm, peak = surface.mean, surface.calm, surface.peak
    level = middle(sample(calm))[:, None, None]
    noise = _pixel_noise(calm)[:, None, None]
    channels = [
        asinh((mean - level) / (3 * noise)),
        asinh((calm - level) / (3 * noise)),
        asinh((peak - level) / (10 * noise)),
        asinh(20 * (calm - level) / surface.sky_adu[:, None, None]),
    ]
    views = _to_sky_size(channels) / 3.0
    return torch.cat((views, opened(views[:, :1])), 1)


def opened(picture: Tensor) -> Tensor:
    """(B, 1, h, w) -> the same without bright things narrower than OPENED_PX: stars go, ghosts,
    nebulae and clouds stay. A lower envelope, and the upper envelope of that."""
    smooth = F.avg_pool2d(picture, 3, 1, 1, count_include_pad=False)
    low = -running_max(running_max(-smooth, OPENED_PX, 2), OPENED_PX, 3)
    return running_max(running_max(low, OPENED_PX, 2), OPENED_PX, 3)


def _to_sky_size(channels: list[Tensor]) -> Tensor:
    """Channels (B, h, w) -> (B, channels, 256, 256)."""
    height, width = channels[0].shape[1:]
    size = (min(height, SKY_PX), min(width, SKY_PX))
    # The maximum keeps single bright pixels that an average would wash out.
    parts = [
        shrunk_maxima(channel, size) if number == PEAK else F.adaptive_avg_pool2d(channel, size)
        for number, channel in enumerate(channels)
    ]
    shrunk = torch.stack(parts, 1)
    if size != (SKY_PX, SKY_PX):
        shrunk = F.interpolate(shrunk, (SKY_PX, SKY_PX), mode="bilinear", align_corners=False)
    return shrunk


def _pixel_noise(picture: Tensor) -> Tensor:
    """(B, h, w) -> (B,) noise from differences of neighbours, blind to slow structure."""
    steps = sample(picture[:, :, 1:] - picture[:, :, :-1]).abs()
    return (1.4826 / 2**0.5 * middle(steps)).clamp_min(1e-6)


def _bright_stars(surface: Surface, sheet: Sheet) -> Tensor:
    """Brightest stars on the half-size picture, in units of its noise, wings kept.

    First what glares most, burnt out or not, then the brightest of the stars that were found.
    """
    found = (sheet.brightest_px[:, : BRIGHT_STARS - GLARING] - 0.5) / 2
    centre = torch.cat((_glaring(surface, GLARING), found), 1)
    pad = BRIGHT_PX // 2
    centre = centre.round().long()
    stamps = cut(surface.excess, centre, BRIGHT_PX)
    # Beyond the frame's edge there is no light, where `cut` repeats the last pixel.
    height, width = surface.excess.shape[1:]
    steps = torch.arange(BRIGHT_PX, device=stamps.device) - pad
    x, y = centre[..., 0, None] + steps, centre[..., 1, None] + steps
    inside = ((y >= 0) & (y < height))[..., None] & ((x >= 0) & (x < width))[..., None, :]
    stamps = torch.where(inside, stamps, torch.zeros_like(stamps))
    stamps = stamps / surface.half_noise[:, None, None, None]
    return stamps.nan_to_num(0.0)


def _glaring(surface: Surface, count: int) -> Tensor:
    """(B, count, 2) x, y of the brightest patches of `excess`, at the middle of their top half.

    The star finder passes over burnt-out stars as large as these: their tops are flat.
    """
    excess, coarse, cell = surface.excess, surface.pyramid[3], 8
    rows = torch.arange(coarse.shape[1], device=excess.device)[:, None]
    columns = torch.arange(coarse.shape[2], device=excess.device)[None]
    axis = torch.arange(6 * cell, device=excess.device) - 3 * cell
    places = []
    for _ in range(count):
        best = coarse.flatten(1).argmax(1)
        row, column = best // coarse.shape[2], best % coarse.shape[2]
        centre = torch.stack((column, row), 1) * cell + cell // 2
        window = cut(excess, centre[:, None], 6 * cell)[:, 0]
        weight = (window - 0.5 * window.amax((1, 2), keepdim=True)).clamp_min(0)
        total = weight.sum((1, 2)).clamp_min(1e-6)
        offset = torch.stack(((weight.sum(1) * axis).sum(1), (weight.sum(2) * axis).sum(1)), 1)
        places.append(centre + offset / total[:, None])
        near = (rows - row[:, None, None]) ** 2 + (columns - column[:, None, None]) ** 2 < 36
        coarse = coarse.masked_fill(near, -torch.inf)
    return torch.stack(places, 1)


def _tile_view(pixels: Tensor, surface: Surface, sheet: Sheet) -> Tensor:
    """Raw tiles: four at fixed places, two round good stars, in units of pixel noise."""
    batch, height, width = pixels.shape
    places = constant((0.25, 0.25, 0.75, 0.25, 0.25, 0.75, 0.75, 0.75), pixels.device).view(4, 2)
    fixed = places * constant((width, height), pixels.device)
    centre = torch.cat((fixed[None].expand(batch, -1, -1), sheet.stars_px[:, :2, :2]), 1)
    half = TILE_PX // 2
    low = constant((half, half), pixels.device, torch.long)
    most = max(half, width - half), max(half, height - half)
    high = constant(most, pixels.device, torch.long)
    # Even corners keep the phase of the colour mosaic the same in every tile.
    centre = torch.minimum(torch.maximum((centre / 2).round().long() * 2, low), high)
    stamps = cut(pixels, centre, TILE_PX)
    level = middle(stamps.flatten(2))[..., None, None]
    return asinh((stamps - level) / (3 * surface.noise_adu[:, None, None, None])) / 3.0


def _physical_facts(known: dict[str, Tensor], surface: Surface, sheet: Sheet) -> Tensor:
    """Unit-bearing facts as logarithms, each followed by whether it is known."""
    gain, read_noise = known["gain_e_adu"], known["read_noise_e"]
    sky_e = (surface.level_adu - known["offset_adu"]) * gain
    # With no offset the noise itself tells the electrons: (gain x noise)^2 - read noise^2.
    from_noise = (gain * surface.noise_adu) ** 2 - read_noise**2
    sky_e = torch.where(sky_e.isnan(), from_noise, sky_e)
    values = torch.stack(
        (
            known["exposure_s"].log(),
            gain.log(),
            read_noise.log(),
            (sky_e.clamp_min(0.01) / read_noise**2).log(),
            known["scale_arcsec"].log(),
            known["focal_ratio"].log(),
            sheet.shape[:, 0] + known["scale_arcsec"].log(),
            known["offset_adu"] * 0.0 + 1.0,
            known["is_cfa"],
        ),
        1,
    )
    is_known = values.isfinite()
    return torch.cat((torch.where(is_known, values, torch.zeros_like(values)), is_known), 1)
