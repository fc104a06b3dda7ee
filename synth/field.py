"""What lies among the stars of a field: star counts and colours, clusters, nebulae, galaxies.

Star counts follow a whole-sky mean of N(< m) per square degree from 9 to 16 mag, extended with
the usual slopes, times a density factor for the galactic latitude. Nebulae and galaxies are
additive maps in units of the frame's undisturbed sky. None of this is a fault.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import pi

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from synth.patches import boxes, item_table, sample_grids, soft_step
from synth.sky import power_law_field

# Whole-sky mean counts per deg2 brighter than 9 ... 16 mag, from the two catalogues Tycho-2 and
# UCAC4 as tabulated on a planetarium author's page.
_COUNTED_MAG = np.arange(9.0, 17.0)
_COUNTED_PER_DEG2 = np.array([3.38, 9.28, 25.4, 71.7, 178.0, 417.0, 955.0, 2155.0])
# Beyond the table: 0.49 per mag towards the bright end meets some 4,800 stars to 6 mag on the
# whole sky; towards the faint end the slope falls by about 0.02 a magnitude (from memory).
_BRIGHT_SLOPE = 0.49
_FAINT_SLOPES = np.array([0.335, 0.315, 0.29, 0.265, 0.24, 0.215, 0.19, 0.165])


def _count_table() -> tuple[np.ndarray, np.ndarray]:
    bright = np.arange(0.0, 9.0)
    faint = 16.0 + np.arange(1.0, len(_FAINT_SLOPES) + 1)
    logs = np.log10(_COUNTED_PER_DEG2)
    return (
        np.concatenate((bright, _COUNTED_MAG, faint)),
        np.concatenate(
            (logs[0] - _BRIGHT_SLOPE * (9.0 - bright), logs, logs[-1] + np.cumsum(_FAINT_SLOPES))
        ),
    )


_MAG, _LOG_COUNT = _count_table()


def star_count_per_deg2(mag: float) -> float:
    """Whole-sky mean number of stars brighter than `mag` per square degree (0 to 24 mag)."""
    return float(10.0 ** np.interp(mag, _MAG, _LOG_COUNT))


def count_slope(mag: float) -> float:
    """d log10 N / dm over the magnitude before `mag`: 0.6 in empty uniform space."""
    return float(np.interp(mag, _MAG, _LOG_COUNT) - np.interp(mag - 1.0, _MAG, _LOG_COUNT))


def latitude_factor(latitude_deg: float) -> float:
    """Star density at a galactic latitude over the whole-sky mean.

    A slab of stars seen through 1/sin |b|, softened because the disc ends; its mean over the
    sphere is 1, the plane has 11 times the pole (common practice for 14 to 16 mag; dark clouds
    and the bulge scatter by a factor of two).
    """
    softening = 0.1
    mean = np.log((1.0 + softening) / softening)
    return float(1.0 / (np.abs(np.sin(np.deg2rad(latitude_deg))) + softening) / mean)


def draw_colours(rng: Generator, count: int) -> np.ndarray:
    """B - V of field stars in mag: turn-off dwarfs, red giants and dwarfs, some blue stars."""
    kind = rng.choice(3, size=count, p=[0.55, 0.33, 0.12])
    centre, width = np.array([0.62, 1.15, 0.12])[kind], np.array([0.17, 0.25, 0.18])[kind]
    return np.clip(rng.normal(centre, width), -0.35, 2.0)


def draw_stars(
    rng: Generator,
    width_px: int,
    height_px: int,
    scale_arcsec: float,
    faintest_mag: float,
    density_factor: float,
    max_stars: int,
    margin_px: float = 40.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Field stars of a frame: x_px, y_px, mag, B - V, each float64 (n,).

    Positions reach `margin_px` beyond the frame. Where more than `max_stars` are expected only
    the brightest are drawn.
    """
    wide, high = width_px + 2 * margin_px, height_px + 2 * margin_px
    area_deg2 = wide * high * (scale_arcsec / 3600.0) ** 2
    limit = float(np.clip(faintest_mag, _MAG[0], _MAG[-1]))
    log_most = np.log10(max_stars / (area_deg2 * density_factor))
    limit = min(limit, float(np.interp(log_most, _LOG_COUNT, _MAG)))
    expected = star_count_per_deg2(limit) * area_deg2 * density_factor
    count = int(min(rng.poisson(expected), max_stars))
    # Inverse of the cumulative counts; 1 - u keeps the logarithm finite.
    share = np.log10(1.0 - rng.random(count)) + np.interp(limit, _MAG, _LOG_COUNT)
    slope = _LOG_COUNT[1] - _LOG_COUNT[0]
    mag = np.interp(share, _LOG_COUNT, _MAG)
    mag = np.where(share < _LOG_COUNT[0], (share - _LOG_COUNT[0]) / slope, mag)
    x = rng.uniform(-margin_px, width_px + margin_px, count) - 0.5
    y = rng.uniform(-margin_px, height_px + margin_px, count) - 0.5
    return x, y, mag, draw_colours(rng, count)


def draw_cluster(
    rng: Generator,
    width_px: int,
    height_px: int,
    faintest_mag: float,
    kind: str = "open",
    max_stars: int = 800,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Stars of one open or globular cluster: x_px, y_px, mag, B - V, each float64 (n,).

    Surface density 1 / (1 + (r/a)^2)^2 (Plummer 1911); a globular is rich, tight and red and
    starts at the giants some 5 mag above the limit, an open cluster is poor, loose and blue.
    """
    short = min(width_px, height_px)
    if kind == "globular":
        count, core = int(rng.uniform(0.4, 1.0) * max_stars), rng.uniform(0.02, 0.08) * short
        mag = faintest_mag - 5.0 * rng.random(count) ** 2.2
        colour = np.clip(rng.normal(0.85, 0.25, count), -0.2, 1.6)
    elif kind == "open":
        count, core = int(rng.uniform(0.05, 0.4) * max_stars), rng.uniform(0.08, 0.3) * short
        mag = faintest_mag - 8.0 * rng.random(count) ** 1.6
        colour = np.clip(rng.normal(0.25, 0.3, count), -0.3, 1.6)
    else:
        raise ValueError(f"cluster kind {kind!r} is unknown; use open or globular")
    share = rng.random(count) * 0.97
    radius = core * np.sqrt(share / (1.0 - share))
    angle = rng.uniform(0.0, 2 * pi, count)
    x0, y0 = rng.uniform(0.2, 0.8) * width_px, rng.uniform(0.2, 0.8) * height_px
    return x0 + radius * np.cos(angle), y0 + radius * np.sin(angle), mag, colour


@dataclass(frozen=True, eq=False)
class Nebula:
    """Glowing or dark gas: a float32 [n, n] grid in units of sky, `reach_px` wide from (x, y)."""

    x_px: float
    y_px: float
    reach_px: float
    kind: str
    light: np.ndarray = field(repr=False)


def nebula_map(params: Sequence[Nebula | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Light of the nebulae in units of the undisturbed sky, float32 [B, h, w]; dark ones < 0."""
    return sample_grids([p.light if p else None for p in params], params, x_px, y_px)


NEBULA_KINDS = ("cloudy", "filaments", "shell", "cored", "dark")


def draw_nebula(
    rng: Generator,
    width_px: int,
    height_px: int,
    peak: float | None = None,
    kind: str | None = None,
    n: int = 192,
) -> Nebula:
    """Draw a nebula whose brightest part is `peak` skies bright (drawn: 0.02 to 1.5).

    Kind "fringes", never drawn by itself, is the sensor's interference instead.

    Fields of interstellar power-law slopes are combined: exponentials give clumps, ridges of a
    field's zero lines give filaments, a second exponential in front gives dark lanes.
    """
    kind = kind or str(rng.choice(NEBULA_KINDS, p=[0.35, 0.2, 0.12, 0.2, 0.13]))
    if kind == "fringes":
        return _fringes(rng, width_px, height_px, n)
    if peak is None:
        peak = float(np.exp(rng.uniform(np.log(0.02), np.log(1.5))))
    reach = 1.5 * max(width_px, height_px)
    # Grid coordinates in frame widths from the nebula's middle.
    step = 1.5 / n
    x0 = rng.uniform(0.2, 0.8) * width_px / max(width_px, height_px)
    y0 = rng.uniform(0.2, 0.8) * height_px / max(width_px, height_px)
    gx, gy = np.meshgrid(np.arange(n) * step - x0, np.arange(n) * step - y0)
    shape = _nebula_shape(rng, kind, gx, gy)
    inside = shape[: int(height_px / reach * n) + 1, : int(width_px / reach * n) + 1]
    top = max(float(np.quantile(inside, 0.999)), 0.02 * float(shape.max()), 1e-12)
    # A nebula that fills the frame lifts all of it: only what varies can be seen as one.
    light = shape / top
    if kind == "dark":
        return Nebula(0.0, 0.0, reach, kind, (-min(peak, 0.3) * light).astype(np.float32))
    return Nebula(0.0, 0.0, reach, kind, (peak * np.minimum(light, 4.0)).astype(np.float32))


def _fringes(rng: Generator, width_px: int, height_px: int, n: int) -> Nebula:
    """Interference in a thin sensor: contour lines of its thickness, a few per cent of the sky."""
    thickness = power_law_field(rng, n, slope=-5.0, outer_scale=0.5, angle_deg=0.0)
    waves = float(np.exp(rng.uniform(np.log(1.0), np.log(4.0))))
    depth = float(np.exp(rng.uniform(np.log(0.004), np.log(0.03))))
    light = depth * np.cos(2 * pi * waves * thickness)
    return Nebula(0.0, 0.0, 1.5 * max(width_px, height_px), "fringes", light.astype(np.float32))


def _nebula_shape(rng: Generator, kind: str, gx: np.ndarray, gy: np.ndarray) -> np.ndarray:
    """Positive picture of a nebula of one kind, float64 [n, n], not normalised."""
    n = len(gx)
    # Slopes near -3.6 as of interstellar gas in projection; steeper ones for smooth outlines.
    clumps = power_law_field(rng, n, slope=-rng.uniform(3.2, 3.8), outer_scale=0.5)
    warp = power_law_field(rng, n, slope=-4.4, outer_scale=0.4)
    detail = power_law_field(rng, n, slope=-3.1, outer_scale=0.12)
    size = float(np.exp(rng.uniform(np.log(0.12), np.log(0.7))))
    angle, squash = rng.uniform(0, pi), rng.uniform(0.45, 1.0)
    u = gx * np.cos(angle) + gy * np.sin(angle)
    v = (gy * np.cos(angle) - gx * np.sin(angle)) / squash
    radius = np.hypot(u, v) * np.exp(0.3 * warp) / size
    envelope = np.exp(-(radius**2))
    dust = power_law_field(rng, n, slope=-4.0, outer_scale=0.3) + 0.15 * detail
    lanes = np.exp(-rng.uniform(0.2, 1.2) * np.clip(dust - 0.2, 0.0, None) ** 1.5)
    if kind == "dark":
        depth = np.exp(rng.uniform(0.8, 1.4) * clumps + 0.3 * detail - 0.4)
        return (1.0 - np.exp(-0.6 * depth)) * np.exp(-0.4 * radius**2)
    if kind == "filaments":
        light = rng.uniform(0.02, 0.12) * np.exp(0.5 * clumps)
        for _ in range(int(rng.integers(2, 5))):
            light = light + rng.uniform(0.3, 1.0) * _filaments(rng, n)
        return envelope * light * np.exp(0.15 * detail)
    if kind == "shell":
        step = abs(float(gx[0, 1] - gx[0, 0]))
        thickness = max(rng.uniform(0.08, 0.35), 5.0 * step / (size * squash))
        away = (radius - 1.0) / thickness
        # Sharp outside, where it meets the thin gas; soft within.
        edge = np.where(away > 0, np.exp(-((2.0 * away) ** 2)), np.exp(-np.abs(0.7 * away)))
        return edge * np.exp(0.6 * clumps + 0.2 * detail)
    if kind == "cored":
        return np.exp(0.5 * warp + 0.3 * detail) * lanes / (1.0 + 8.0 * radius**2) ** 1.2
    return envelope * np.exp(rng.uniform(0.6, 1.1) * clumps + 0.2 * detail) * lanes


def _filaments(rng: Generator, n: int) -> np.ndarray:
    """Thin bright lines where a smooth field crosses zero: sheets of gas seen edge on, [n, n].

    The distance to the line is the field over its slope; one side falls off steeply, the other
    gently, as behind a shock. Widths from 1.2 grid steps keep them from breaking into dots.
    """
    sheet = power_law_field(rng, n, slope=-5.0, outer_scale=0.4)
    slope_y, slope_x = np.gradient(sheet)
    away = sheet / np.hypot(np.hypot(slope_x, slope_y), 0.02)
    sharp = rng.uniform(1.2, 2.5)
    soft = sharp * rng.uniform(1.5, 8.0)
    lines = np.exp(-(np.abs(away / np.where(away > 0, sharp, soft)) ** 1.5))
    return lines * np.exp(0.7 * power_law_field(rng, n, slope=-4.0, outer_scale=0.3))


@dataclass(frozen=True)
class Galaxy:
    """One Sersic ellipse, perhaps with two spiral arms."""

    x_px: float
    y_px: float
    half_light_px: float  # semi-major axis of the ellipse that holds half the light
    index: float  # Sersic n: 1 exponential disc, 4 de Vaucouleurs
    axis_ratio: float
    angle_deg: float
    brightness: float  # at the half-light ellipse, units of sky
    arms: float  # contrast of the arms, 0 to 1
    pitch: float  # turns of an arm per e-fold of radius
    soft_px: float  # seeing: the cusp is rounded within this radius


@dataclass(frozen=True)
class Galaxies:
    """The galaxies of one frame."""

    galaxies: tuple[Galaxy, ...]


def sersic_b(index: Tensor) -> Tensor:
    """b_n of the Sersic profile, so that half the light lies within the half-light radius.

    Series of Ciotti & Bertin 1999, A&A 352, 447; good to 1e-3 for n over 0.4.
    """
    return 2.0 * index - 1.0 / 3.0 + 4.0 / (405.0 * index) + 46.0 / (25515.0 * index**2)


_REACH = 7.0  # half-light radii drawn; the last fifth fades out


def galaxy_map(params: Sequence[Galaxies | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Light of the galaxies in units of the undisturbed sky, float32 [B, h, w]."""
    out = torch.zeros(len(params), y_px.numel(), x_px.numel(), device=x_px.device)
    table = item_table([p.galaxies if p else () for p in params], fields=10)
    for box in boxes(table, _REACH * table[:, :, 2], x_px, y_px):
        x0, y0, half, index, ratio, angle_deg, brightness, arms, pitch, soft = box.values
        half, index, ratio = half.clamp(min=1e-3), index.clamp(min=0.5), ratio.clamp(min=0.05)
        angle = torch.deg2rad(angle_deg)
        dx, dy = box.x - x0, box.y - y0
        u = dx * torch.cos(angle) + dy * torch.sin(angle)
        v = (dy * torch.cos(angle) - dx * torch.sin(angle)) / ratio
        radius = torch.sqrt(u * u + v * v + soft.clamp(min=0.5) ** 2) / half
        light = torch.exp(-sersic_b(index) * (radius ** (1.0 / index) - 1.0))
        turn = torch.atan2(v, u) - 2 * pi * pitch * torch.log(radius)
        wave = torch.cos(2.0 * turn) * soft_step(radius - 0.5, 0.0 * radius + 0.5)
        fade = soft_step(0.9 * _REACH - radius, 0.0 * radius + 0.2 * _REACH)
        box.add_to(out, brightness * light * (1.0 + arms * wave) * fade)
    return out


def draw_galaxies(
    rng: Generator,
    width_px: int,
    height_px: int,
    count: int | None = None,
    soft_px: float = 3.0,
) -> Galaxies:
    """Draw a field with one to a dozen small galaxies and now and then a large one with arms."""
    if count is None:
        count = int(np.clip(rng.geometric(0.3), 1, 12))
    galaxies = []
    if rng.random() < 0.3:
        galaxies += _large_galaxy(rng, width_px, height_px, soft_px)
    largest = max(0.015 * width_px, 12.0)
    for _ in range(count):
        half = float(np.exp(rng.uniform(np.log(4.0), np.log(largest))))
        x, y = float(rng.uniform(0, width_px)), float(rng.uniform(0, height_px))
        index = float(rng.choice([1.0, 1.0, 2.0, 4.0]))
        bright = float(np.exp(rng.uniform(np.log(0.01), np.log(0.4))))
        ratio, angle = float(rng.uniform(0.2, 1.0)), float(rng.uniform(0.0, 180.0))
        galaxies.append(Galaxy(x, y, half, index, ratio, angle, bright, 0.0, 0.0, soft_px))
    return Galaxies(tuple(galaxies))


def _large_galaxy(rng: Generator, width_px: int, height_px: int, soft_px: float) -> list[Galaxy]:
    """A bulge in a disc, near the middle as a photographer would frame it."""
    x = float(rng.normal(0.5, 0.12) * width_px)
    y = float(rng.normal(0.5, 0.12) * height_px)
    half = float(np.exp(rng.uniform(np.log(0.02), np.log(0.12)))) * width_px
    bright = float(np.exp(rng.uniform(np.log(0.03), np.log(0.5))))
    ratio, angle = float(rng.uniform(0.15, 0.95)), float(rng.uniform(0.0, 180.0))
    arms = float(rng.uniform(0.1, 0.6)) if ratio > 0.3 else 0.0
    pitch = float(rng.choice([-1, 1]) * rng.uniform(0.25, 0.7))
    round_ratio = 0.5 * (1.0 + ratio)
    return [
        Galaxy(x, y, half, 1.0, ratio, angle, bright, arms, pitch, soft_px),
        Galaxy(x, y, 0.18 * half, 3.0, round_ratio, angle, 1.5 * bright, 0.0, 0.0, soft_px),
    ]
