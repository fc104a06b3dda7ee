"""The sky over one exposure: gradients, airglow, clouds; and the glow of the sensor's amplifier.

Additive maps are in units of the frame's own undisturbed sky level, cloud loss is in magnitudes,
amplifier glow in electrons. Every effect is a frozen set of plain numbers drawn by `draw_*`, and
a function of pixel coordinates, so it may be sampled on any grid.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import cos, hypot, pi, sin

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from synth.patches import columns, sample_grids


@dataclass(frozen=True)
class Gradient:
    """A large-scale glow: a plane, a bend, a lamp's fall-off and a wave, scaled to start at 0.

    u runs along `angle_deg` and v across, both in units of half the frame's diagonal from its
    centre. The map is `amplitude` times (shape - low) / span, so 0 to `amplitude`.
    """

    centre_x_px: float
    centre_y_px: float
    half_diagonal_px: float
    angle_deg: float
    linear: float
    bend_along: float
    bend_across: float
    lamp: float  # weight of the local glow
    lamp_u: float  # where it enters, (u, v)
    lamp_v: float
    lamp_reach: float  # e-folding distance
    lamp_squash: float  # how much wider along the edge than inwards
    wave: float
    wave_cycles: float  # cycles per half diagonal
    wave_phase: float
    low: float
    span: float
    amplitude: float  # peak to peak, units of the undisturbed sky


_GRADIENT_FIELDS = tuple(Gradient.__dataclass_fields__)


def gradient_map(params: Sequence[Gradient | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Extra light in units of the undisturbed sky, float32 [B, h, w], 0 at its faintest."""
    values = dict(zip(_GRADIENT_FIELDS, columns(params, _GRADIENT_FIELDS, 0.0, x_px), strict=True))
    scale = values["half_diagonal_px"].clamp(min=1.0)
    dx = (x_px[None, None, :] - values["centre_x_px"]) / scale
    dy = (y_px[None, :, None] - values["centre_y_px"]) / scale
    angle = torch.deg2rad(values["angle_deg"])
    u = dx * torch.cos(angle) + dy * torch.sin(angle)
    v = dy * torch.cos(angle) - dx * torch.sin(angle)
    shape = u * values["linear"] + u * u * values["bend_along"] + v * v * values["bend_across"]
    # The core keeps the lamp's glow from ending in a cusp where it enters.
    inward = torch.sqrt(
        (u - values["lamp_u"]) ** 2
        + ((v - values["lamp_v"]) * values["lamp_squash"]) ** 2
        + (0.3 * values["lamp_reach"]) ** 2
    )
    shape = shape + values["lamp"] * torch.exp(-inward / values["lamp_reach"].clamp(min=1e-3))
    shape = shape + values["wave"] * torch.sin(
        2 * pi * values["wave_cycles"] * u + values["wave_phase"]
    )
    span = values["span"].clamp(min=1e-6)
    return values["amplitude"] * ((shape - values["low"]) / span).clamp(0.0, 1.0)


def _finish(parts: dict[str, float], pct: float, width_px: int, height_px: int) -> Gradient:
    """Scale a gradient's shape so that the map reaches `pct` % of the frame's median sky."""
    base = dict.fromkeys(_GRADIENT_FIELDS, 0.0)
    base |= {
        "centre_x_px": 0.5 * (width_px - 1),
        "centre_y_px": 0.5 * (height_px - 1),
        "half_diagonal_px": 0.5 * hypot(width_px - 1, height_px - 1),
        "lamp_reach": 1.0,
        "lamp_squash": 1.0,
    } | parts
    x = torch.linspace(0, width_px - 1, 129)
    y = torch.linspace(0, height_px - 1, 129)
    # The clamp in the map hides the raw shape; a span of 1e3 with an offset brings it back.
    raw = gradient_map([Gradient(**(base | {"low": -500.0, "span": 1e3, "amplitude": 1e3}))], x, y)
    shape = raw[0].double() - 500.0
    low, span = float(shape.min()), float(shape.max() - shape.min())
    median = (float(shape.median()) - low) / max(span, 1e-9)
    wanted = max(pct, 0.0) / 100.0
    # (amplitude) / (1 + amplitude x median) = wanted; no glow can exceed 1 / median.
    amplitude = wanted / max(1.0 - wanted * median, 0.1)
    return Gradient(**(base | {"low": low, "span": span, "amplitude": amplitude}))


def gradient_pct(p: Gradient | None, width_px: int, height_px: int) -> float:
    """Peak to peak of the sky in % of its median over the frame."""
    if p is None:
        return 0.0
    x = torch.linspace(0, width_px - 1, 129)
    y = torch.linspace(0, height_px - 1, 129)
    sky = 1.0 + gradient_map([p], x, y)
    return float(100.0 * (sky.max() - sky.min()) / sky.median())


def draw_gradient(
    rng: Generator, strength_pct: float, width_px: int, height_px: int, kind: str | None = None
) -> Gradient:
    """Draw a gradient of `strength_pct` % of the median sky, peak to peak.

    Kinds: "linear" (a town far off), "curved" (Moon, twilight), "dome" (light dome from one
    side), "lamp" (steep and local, entering at an edge). Above 120 % only the last two can be.
    """
    if kind is None:
        steep = strength_pct > 120.0
        kind = str(rng.choice(["dome", "lamp"] if steep else ["linear", "curved", "dome", "lamp"]))
    parts = {"angle_deg": float(rng.uniform(0.0, 360.0))}
    if kind == "linear":
        parts |= {"linear": 1.0, "bend_along": float(rng.normal(0.0, 0.08))}
    elif kind == "curved":
        parts |= {"linear": 1.0, "bend_along": float(rng.uniform(0.1, 0.9))}
        parts |= {"bend_across": float(rng.normal(0.0, 0.25))}
    elif kind == "dome":
        parts |= {"lamp": 1.0, "lamp_u": float(rng.uniform(0.9, 1.6))}
        parts |= {"lamp_v": float(rng.normal(0.0, 0.3)), "linear": float(rng.uniform(0.0, 0.1))}
        reach = rng.uniform(0.35, 0.9) * (0.5 if strength_pct > 120.0 else 1.0)
        parts |= {"lamp_reach": float(reach), "lamp_squash": float(rng.uniform(0.3, 0.9))}
    elif kind == "lamp":
        edge = _edge_point(rng, width_px, height_px, parts["angle_deg"])
        reach = float(np.exp(rng.uniform(np.log(0.07), np.log(0.5))))
        parts |= {"lamp": 1.0, "lamp_u": edge[0], "lamp_v": edge[1], "lamp_reach": reach}
        parts |= {"lamp_squash": float(rng.uniform(0.4, 1.5))}
    else:
        raise ValueError(f"gradient kind {kind!r} is unknown; use linear, curved, dome or lamp")
    return _finish(parts, strength_pct, width_px, height_px)


def _edge_point(
    rng: Generator, width_px: int, height_px: int, angle_deg: float
) -> tuple[float, float]:
    """(u, v) of a point just outside a random place of the frame's border."""
    side, along, beyond = rng.integers(4), rng.uniform(-1, 1), rng.uniform(1.0, 1.15)
    across = beyond if side % 2 else -beyond
    x, y = (across, along) if side < 2 else (along, across)
    half = hypot(width_px, height_px)
    dx, dy = x * width_px / half, y * height_px / half
    c, s = cos(angle_deg * pi / 180), sin(angle_deg * pi / 180)
    return float(dx * c + dy * s), float(dy * c - dx * s)


def draw_airglow(rng: Generator, strength_pct: float, width_px: int, height_px: int) -> Gradient:
    """Draw a mild large-scale unevenness: gravity-wave bands of airglow on a faint slope."""
    parts = {
        "angle_deg": float(rng.uniform(0.0, 360.0)),
        "linear": float(rng.normal(0.0, 0.4)),
        "bend_across": float(rng.normal(0.0, 0.2)),
        "wave": float(rng.uniform(0.1, 0.6)),
        "wave_cycles": float(np.exp(rng.uniform(np.log(0.15), np.log(1.2)))),
        "wave_phase": float(rng.uniform(0.0, 2 * pi)),
    }
    return _finish(parts, strength_pct, width_px, height_px)


@dataclass(frozen=True, eq=False)
class Clouds:
    """Cloud over one exposure: a periodic grid of loss in magnitudes, and the glow it scatters.

    `loss_mag` is float32 [n, n] and covers `reach_px` pixels from (x_px, y_px) on each axis.
    """

    x_px: float
    y_px: float
    reach_px: float
    mean_mag: float  # mean loss over the frame
    rms_mag: float  # its scatter over the frame
    glow: float  # light scattered by an opaque cloud less the sky it hides, units of clear sky
    loss_mag: np.ndarray = field(repr=False)

    @property
    def strength_mag(self) -> float:
        """The fault's strength: 0.15 mag of texture counts like 0.25 mag of mean loss."""
        return max(self.mean_mag, self.texture_mag)

    @property
    def texture_mag(self) -> float:
        """What texture alone would count as."""
        return self.rms_mag * 0.25 / 0.15


def power_law_field(
    rng: Generator,
    n: int,
    slope: float = -11.0 / 3.0,
    outer_scale: float = np.inf,
    stretch: float = 1.0,
    smear: float = 0.0,
    angle_deg: float = 0.0,
) -> np.ndarray:
    """A periodic Gaussian random field, float64 [n, n], mean 0 and rms 1.

    Its power falls as (k^2 + 1/outer_scale^2)^(slope/2), k in cycles per grid (von Karman form;
    Kolmogorov's -11/3 for a passive tracer seen in projection). `stretch` lengthens structures
    along `angle_deg`; `smear` averages along it over that share of the grid (wind in the
    exposure), which multiplies the spectrum by sinc^2.
    """
    kx, ky = np.fft.rfftfreq(n, 1.0 / n)[None, :], np.fft.fftfreq(n, 1.0 / n)[:, None]
    c, s = cos(angle_deg * pi / 180), sin(angle_deg * pi / 180)
    along, across = kx * c + ky * s, ky * c - kx * s
    k2 = (along * stretch) ** 2 + across**2 + outer_scale**-2.0
    k2[0, 0] = 1.0
    amplitude = k2 ** (slope / 4.0) * np.sinc(along * smear)
    amplitude[0, 0] = 0.0
    white = np.fft.rfft2(rng.standard_normal((n, n)))
    grid = np.fft.irfft2(white * amplitude, s=(n, n))
    return grid / grid.std()


def draw_clouds(
    rng: Generator,
    loss_mag: float,
    width_px: int,
    height_px: int,
    rms_mag: float,
    glow: float | None = None,
    n: int = 128,
) -> Clouds:
    """Draw clouds that cost `loss_mag` magnitudes on average over the frame, from veil to thick.

    `rms_mag` is the scatter over the frame. `glow` (drawn where None) > 0 brightens (town or
    Moon below), < 0 darkens (dark site, at least -1). Only about half the grid is in the frame,
    so its period does not show.
    """
    if glow is None:
        lit = rng.random() < 0.75
        glow = float(np.exp(rng.normal(0.2, 0.8))) if lit else -float(rng.uniform(0.1, 0.8))
    stretch = float(np.exp(rng.uniform(0.0, np.log(4.0))))
    smear = float(np.exp(rng.uniform(np.log(0.01), np.log(0.5))))
    shape = power_law_field(
        rng,
        n,
        outer_scale=float(np.exp(rng.uniform(np.log(0.15), np.log(2.0)))),
        stretch=stretch,
        smear=smear,
        angle_deg=float(rng.uniform(0.0, 360.0)),
    )
    half = n // 2 + 1
    rows = max(2, round(half * height_px / max(width_px, height_px)))
    cols = max(2, round(half * width_px / max(width_px, height_px)))
    loss = _lognormal(shape, (slice(0, rows), slice(0, cols)), loss_mag, rms_mag)
    reach = 2.0 * max(width_px, height_px)
    return Clouds(
        0.0,
        0.0,
        reach,
        float(loss[:rows, :cols].mean()),
        float(loss[:rows, :cols].std()),
        glow,
        loss.astype(np.float32),
    )


def _lognormal(shape: np.ndarray, inside, mean: float, rms: float) -> np.ndarray:
    """Positive field whose part `inside` the frame has the given mean and, nearly, rms.

    Optical depth cannot be negative and has bright gaps and dense cores: the exponential of a
    Gaussian field. Within the frame the field is standardised first, since a frame much smaller
    than the cloud deck sees only part of its variation.
    """
    part = shape[inside]
    unit = (shape - part.mean()) / max(part.std(), 1e-9)
    unit = np.clip(unit, -4.0, 4.0)
    # One Newton-free search: the rms of exp(a unit) over its mean grows steadily with a.
    low, high, wanted = 0.0, 3.0, rms / max(mean, 1e-9)
    for _ in range(30):
        a = 0.5 * (low + high)
        e = np.exp(a * unit[inside])
        low, high = (a, high) if e.std() / e.mean() < wanted else (low, a)
    e = np.exp(0.5 * (low + high) * unit)
    return mean * e / e[inside].mean()


def cloud_loss_map(params: Sequence[Clouds | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Magnitudes lost, float32 [B, h, w], at least 0; 0 throughout for None."""
    grids = [p.loss_mag if p is not None else None for p in params]
    return sample_grids(grids, params, x_px, y_px).clamp(min=0.0)


def cloud_glow_map(
    params: Sequence[Clouds | None], x_px: Tensor, y_px: Tensor, loss_mag: Tensor | None = None
) -> Tensor:
    """Change of the sky in units of the clear sky, float32 [B, h, w]: sky = clear x (1 + map).

    A cloud that lets T = 10^(-0.4 A) through scatters in proportion to 1 - T, which saturates as
    it thickens. Give `loss_mag` (from `cloud_loss_map`) to spare sampling the grid twice.
    """
    if loss_mag is None:
        loss_mag = cloud_loss_map(params, x_px, y_px)
    (glow,) = columns(params, ("glow",), 0.0, x_px)
    return glow * (1.0 - torch.pow(10.0, -0.4 * loss_mag))


@dataclass(frozen=True)
class AmpGlow:
    """Glow of the sensor's own electronics from one place of its border."""

    x_px: float
    y_px: float
    reach_px: float  # e-folding distance
    peak_e: float  # electrons at its brightest
    rays: float  # depth of the ray pattern, 0 to 1
    ray_count: float
    ray_phase: float


def amp_glow_map(params: Sequence[AmpGlow | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Electrons of amplifier glow, float32 [B, h, w]."""
    names = tuple(AmpGlow.__dataclass_fields__)
    x0, y0, reach, peak, rays, count, phase = columns(params, names, 0.0, x_px)
    dx, dy = x_px[None, None, :] - x0, y_px[None, :, None] - y0
    away = torch.sqrt(dx * dx + dy * dy)
    azimuth = torch.atan2(dy, dx)
    # Rays of two unlike spacings, so that they are not a regular fan.
    other = torch.round(0.37 * count)  # whole numbers: the pattern closes on itself
    pattern = torch.cos(count * azimuth + phase) * torch.cos(other * azimuth - 2 * phase)
    reach = reach.clamp(min=1.0)
    fade = 1.0 - torch.exp(-away / reach)  # the rays part only away from their origin
    return peak * torch.exp(-away / reach) * (1.0 + rays * fade * pattern) / (1.0 + rays)


def draw_amp_glow(rng: Generator, peak_e: float, width_px: int, height_px: int) -> AmpGlow:
    """Draw a glow of `peak_e` electrons at a corner or an edge of the sensor."""
    corner = rng.random() < 0.6
    x = float(rng.integers(2)) if corner or rng.random() < 0.5 else float(rng.random())
    y = float(rng.integers(2)) if corner or x not in (0.0, 1.0) else float(rng.random())
    reach = float(rng.uniform(0.06, 0.3)) * width_px
    rays = float(rng.uniform(0.2, 0.8)) if rng.random() < 0.4 else 0.0
    return AmpGlow(
        x * (width_px - 1),
        y * (height_px - 1),
        reach,
        peak_e,
        rays,
        float(rng.integers(6, 24)),
        float(rng.uniform(0.0, 2 * pi)),
    )
