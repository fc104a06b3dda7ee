"""Stray light of a bright star or lamp: pupil ghosts, halos, arcs, fans and edge glints.

Light that bounces twice between plane surfaces is out of focus on the sensor and paints the
pupil: a disc, with the hole of an obstructed telescope, of diameter extra path / N. From a
window or filter it lies beside or around its own star; from a lens or corrector its centre is
mirrored through the optical axis. Off axis one side of the pupil is brighter and aberration
piles light up at the rim (a caustic). Grazing light on an edge makes arcs and fans. Maps are in
units of the frame's undisturbed sky and add to it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, pi

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from synth.patches import boxes, item_table, soft_step


def window_ghost_um(thickness_mm: float, index: float, focal_ratio: float) -> float:
    """Diameter of the double-bounce ghost inside a plane window: 2 t / (n N)."""
    return 2e3 * thickness_mm / (index * focal_ratio)


def gap_halo_mm(gap_mm: float, focal_ratio: float) -> float:
    """Diameter of the halo from sensor to a surface `gap_mm` before it and back: 2 gap / N."""
    return 2.0 * gap_mm / focal_ratio


def ghost_share_per_px(reflectance_product: float, diameter_px: float, hole: float = 0.0) -> float:
    """Surface brightness of a ghost over its star's flux, per px: R1 R2 / area."""
    return reflectance_product / (0.25 * pi * diameter_px**2 * (1.0 - hole**2))


def mirrored(
    x_px: float, y_px: float, axis_x_px: float, axis_y_px: float, factor: float = 1.0
) -> tuple[float, float]:
    """Centre of a ghost mirrored through the optical axis, `factor` times as far out."""
    return axis_x_px - factor * (x_px - axis_x_px), axis_y_px - factor * (y_px - axis_y_px)


@dataclass(frozen=True)
class Ghost:
    """One patch of stray light: a disc, ring, or a sector of either."""

    x_px: float
    y_px: float
    outer_px: float  # radius
    hole: float  # inner radius over outer
    hole_dx: float  # shift of the hole over the outer radius
    hole_dy: float
    soft_px: float  # width of the edges
    shade: float  # brighter to one side: 0 even, 1 nothing at the far side
    shade_deg: float
    rim: float  # extra light of the caustic at the rim
    rim_width: float  # over the outer radius
    fade: float  # e-folds of light lost from the centre to the rim: fans
    sector_deg: float  # middle of the sector drawn
    half_sector_deg: float  # its half width, 180 = all round
    rays: float  # uneven rays within a sector, 0 to 1
    brightness: float  # units of the undisturbed sky


@dataclass(frozen=True)
class Reflection:
    """All stray light of one frame."""

    ghosts: tuple[Ghost, ...]


def reflection_map(params: Sequence[Reflection | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Stray light in units of the undisturbed sky, float32 [B, h, w], at least 0."""
    out = torch.zeros(len(params), y_px.numel(), x_px.numel(), device=x_px.device)
    table = item_table([p.ghosts if p else () for p in params], fields=16)
    for box in boxes(table, table[:, :, 2] + table[:, :, 6], x_px, y_px):
        box.add_to(out, _ghost_light(box.x, box.y, box.values))
    return out


def _ghost_light(x: Tensor, y: Tensor, values: tuple[Tensor, ...]) -> Tensor:
    x0, y0, outer, hole, hole_dx, hole_dy, soft, shade, shade_deg = values[:9]
    rim, rim_width, fade, sector_deg, half_sector_deg, rays, brightness = values[9:]
    outer, soft = outer.clamp(min=1e-3), soft.clamp(min=0.5)
    dx, dy = (x - x0) / outer, (y - y0) / outer
    radius = torch.sqrt(dx * dx + dy * dy + 1e-12)
    to_hole = torch.sqrt((dx - hole_dx) ** 2 + (dy - hole_dy) ** 2)
    light = soft_step((1.0 - radius) * outer, soft)
    inside_hole = soft_step((hole - to_hole) * outer, soft) * (hole > 0)
    light = light * (1.0 - inside_hole)
    toward = torch.deg2rad(shade_deg)
    light = light * (1.0 + shade * (dx * torch.cos(toward) + dy * torch.sin(toward))).clamp(min=0.0)
    light = light * (1.0 + rim * torch.exp(-(((1.0 - radius) / rim_width.clamp(min=1e-3)) ** 2)))
    light = light * torch.exp(-fade * radius)
    # The angle from the sector's middle; its edges soften outward as a penumbra does.
    turn = torch.atan2(dy, dx) - torch.deg2rad(sector_deg)
    turn = torch.atan2(torch.sin(turn), torch.cos(turn)).abs()
    half = torch.deg2rad(half_sector_deg)
    penumbra = 0.35 * half + soft / (outer * radius)
    window = soft_step(half - turn, penumbra)
    light = light * torch.where(half_sector_deg < 179.0, window, torch.ones_like(window))
    angle = torch.atan2(dy, dx)
    pattern = (
        torch.cos(17.0 * angle + shade_deg)
        + torch.cos(29.0 * angle - 2 * shade_deg)
        + torch.cos(43.0 * angle + 3 * shade_deg)
        + torch.cos(71.0 * angle - 5 * shade_deg)
    ) / 4.0
    return brightness * light * (1.0 + rays * pattern)


def reflection_pct(p: Reflection | None, width_px: int, height_px: int) -> float:
    """Surface brightness of the stray light in % of the undisturbed sky.

    The level that a quarter of the lit area inside the frame exceeds; lit = over a tenth of the
    brightest. A thin rim or the root of a fan alone does not set it.
    """
    if p is None:
        return 0.0
    level, _ = _level(p, width_px, height_px)
    return 100.0 * level


def _level(p: Reflection, width_px: int, height_px: int) -> tuple[float, float]:
    """(surface brightness in skies, lit share of the frame)."""
    step = max(width_px, height_px) / 160.0
    x = torch.arange(0.0, width_px - 1, step)
    y = torch.arange(0.0, height_px - 1, step)
    light = reflection_map([p], x, y)[0].double()
    top = float(light.max())
    if top <= 0:
        return 0.0, 0.0
    lit = light[light > 0.1 * top]
    return float(lit.quantile(0.75)), lit.numel() / light.numel()


REFLECTION_KINDS = ("beside", "around", "mirrored", "arc", "fan", "glint")


def draw_reflection(
    rng: Generator,
    strength_pct: float,
    width_px: int,
    height_px: int,
    stars_x_px: np.ndarray | None = None,
    stars_y_px: np.ndarray | None = None,
    stars_flux: np.ndarray | None = None,
    obstruction: float | None = None,
    kind: str | None = None,
) -> Reflection:
    """Draw stray light with a surface brightness of `strength_pct` % of the undisturbed sky.

    With the frame's stars given, the source is one of its brightest (or a star outside for
    arcs, fans and glints); otherwise a star is assumed somewhere in or near the frame.
    `obstruction` sets the hole; drawn where unknown.
    """
    kind = kind or str(rng.choice(REFLECTION_KINDS, p=[0.25, 0.2, 0.2, 0.12, 0.13, 0.1]))
    if kind not in REFLECTION_KINDS:
        raise ValueError(f"reflection kind {kind!r}: use one of {', '.join(REFLECTION_KINDS)}")
    if obstruction is None:
        obstruction = float(rng.choice([0.0, rng.uniform(0.2, 0.5)]))
    for _ in range(60):
        source = _source(rng, width_px, height_px, stars_x_px, stars_y_px, stars_flux)
        ghosts = _DRAW[kind](rng, width_px, height_px, source, obstruction)
        level, lit = _level(Reflection(tuple(ghosts)), width_px, height_px)
        if lit > (0.012 if kind == "glint" else 0.002) and level > 0:
            factor = strength_pct / 100.0 / level
            return Reflection(tuple(replace(g, brightness=g.brightness * factor) for g in ghosts))
    raise RuntimeError(f"no {kind} reflection met a {width_px} x {height_px} frame in 60 draws")


def _source(
    rng: Generator,
    width_px: int,
    height_px: int,
    x_px: np.ndarray | None,
    y_px: np.ndarray | None,
    flux: np.ndarray | None,
) -> tuple[float, float]:
    if x_px is None or y_px is None or flux is None or len(flux) == 0:
        return float(rng.uniform(0, width_px)), float(rng.uniform(0, height_px))
    brightest = np.argsort(-np.asarray(flux))[:5]
    weight = np.asarray(flux, dtype=float)[brightest]
    pick = int(rng.choice(brightest, p=weight / weight.sum()))
    return float(x_px[pick]), float(y_px[pick])


def _disc(
    rng: Generator, x_px: float, y_px: float, outer_px: float, hole: float, off_axis: float
) -> Ghost:
    """A pupil ghost; what is off axis is more lopsided. `off_axis` runs from 0 to about 1."""
    soft = outer_px * float(np.exp(rng.uniform(np.log(0.01), np.log(0.25))))
    slide = 0.3 * off_axis
    toward = rng.uniform(0, 2 * pi)
    return Ghost(
        x_px,
        y_px,
        outer_px,
        hole,
        float(slide * np.cos(toward)) * (1.0 - hole),
        float(slide * np.sin(toward)) * (1.0 - hole),
        max(soft, 2.0),
        float(np.clip(rng.normal(0.5, 0.3) * off_axis, 0.0, 0.95)),
        float(np.rad2deg(toward)),
        float(rng.exponential(0.6)) * (rng.random() < 0.6),
        float(rng.uniform(0.04, 0.2)),
        0.0,
        0.0,
        180.0,
        0.0,
        1.0,
    )


def _radius(rng: Generator, width_px: int, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high)))) * width_px


def _beside(
    rng: Generator, width_px: int, height_px: int, source: tuple[float, float], hole: float
) -> list[Ghost]:
    """One or two discs next to their own star: a tilted filter or window."""
    outer = _radius(rng, width_px, 0.012, 0.15)
    ghosts = []
    direction = rng.uniform(0, 2 * pi)
    for k in range(int(rng.choice([1, 2], p=[0.75, 0.25]))):
        away = outer * rng.uniform(0.4, 2.5) * (k + 1)
        x = source[0] + away * np.cos(direction)
        y = source[1] + away * np.sin(direction)
        ghost = _disc(rng, float(x), float(y), outer * (1.0 + 0.7 * k), hole, 0.5)
        ghosts.append(replace(ghost, brightness=float(rng.uniform(0.3, 1.0)) ** k))
    return ghosts


def _around(
    rng: Generator, width_px: int, height_px: int, source: tuple[float, float], hole: float
) -> list[Ghost]:
    """A sharp-edged halo round its own star, a little off its centre."""
    outer = _radius(rng, width_px, 0.02, 0.25)
    shift = outer * rng.uniform(0.0, 0.25)
    direction = rng.uniform(0, 2 * pi)
    x, y = source[0] + shift * np.cos(direction), source[1] + shift * np.sin(direction)
    ghost = _disc(rng, float(x), float(y), outer, hole, 0.2)
    return [replace(ghost, soft_px=max(2.0, 0.04 * outer * float(rng.uniform(0.5, 2.0))))]


def _axis(rng: Generator, width_px: int, height_px: int) -> tuple[float, float]:
    """Where the optical axis meets the sensor: near its middle."""
    return (
        float((0.5 + rng.normal(0.0, 0.03)) * width_px),
        float((0.5 + rng.normal(0.0, 0.03)) * height_px),
    )


def _mirrored(
    rng: Generator, width_px: int, height_px: int, source: tuple[float, float], hole: float
) -> list[Ghost]:
    """One to four ghosts on the line through star and axis, from several pairs of surfaces."""
    axis = _axis(rng, width_px, height_px)
    distance = hypot(source[0] - axis[0], source[1] - axis[1]) / (0.5 * width_px)
    ghosts = []
    for k in range(int(rng.choice([1, 2, 3, 4], p=[0.5, 0.25, 0.15, 0.1]))):
        factor = 1.0 if k == 0 and rng.random() < 0.5 else float(rng.uniform(-0.6, 1.5))
        x, y = mirrored(*source, *axis, factor)
        outer = _radius(rng, width_px, 0.015, 0.14)
        ghost = _disc(rng, x, y, outer, hole, min(1.0, distance))
        # The lopsided side points along the line to the axis.
        toward = float(np.rad2deg(np.arctan2(axis[1] - y, axis[0] - x)))
        share = 1.0 if k == 0 else float(rng.uniform(0.2, 1.0))
        ghosts.append(replace(ghost, shade_deg=toward, brightness=share))
    return ghosts


def _arc(
    rng: Generator, width_px: int, height_px: int, source: tuple[float, float], hole: float
) -> list[Ghost]:
    """Part of a thin ring: an edge or a retaining ring lit from beside the field."""
    outer = _radius(rng, width_px, 0.12, 0.9)
    x, y = rng.uniform(-0.2, 1.2) * width_px, rng.uniform(-0.2, 1.2) * height_px
    thin = float(rng.uniform(0.03, 0.18))
    ghost = _disc(rng, float(x), float(y), outer, 1.0 - thin, 0.0)
    return [
        replace(
            ghost,
            soft_px=float(max(2.0, thin * outer * rng.uniform(0.2, 0.9))),
            rim=float(rng.uniform(0.0, 1.5)),
            rim_width=0.5 * thin,
            sector_deg=float(rng.uniform(0.0, 360.0)),
            half_sector_deg=float(rng.uniform(10.0, 70.0)),
        )
    ]


def _edge_place(rng: Generator, width_px: int, height_px: int) -> tuple[float, float, float]:
    """A place just outside the border and the direction, in degrees, to the frame's middle."""
    side, along, beyond = int(rng.integers(4)), rng.uniform(0.05, 0.95), rng.uniform(0.0, 0.08)
    across = 1.0 + beyond if side % 2 else -beyond
    x, y = (across * width_px, along * height_px) if side < 2 else (
        along * width_px, across * height_px,
    )  # fmt: skip
    inward = np.arctan2(0.5 * height_px - y, 0.5 * width_px - x)
    return float(x), float(y), float(np.rad2deg(inward))


def _fan(
    rng: Generator, width_px: int, height_px: int, source: tuple[float, float], hole: float
) -> list[Ghost]:
    """A wedge of light from a star outside the frame, streaked with rays."""
    x, y, inward = _edge_place(rng, width_px, height_px)
    outer = _radius(rng, width_px, 0.3, 1.2)
    ghost = _disc(rng, x, y, outer, 0.0, 0.0)
    return [
        replace(
            ghost,
            soft_px=0.5 * outer,
            rim=0.0,
            fade=float(rng.uniform(1.0, 4.0)),
            sector_deg=inward + float(rng.normal(0.0, 20.0)),
            half_sector_deg=float(np.exp(rng.uniform(np.log(3.0), np.log(35.0)))),
            rays=float(rng.uniform(0.0, 0.6)),
            shade_deg=float(rng.uniform(0.0, 360.0)),
            shade=0.0,
        )
    ]


def _glint(
    rng: Generator, width_px: int, height_px: int, source: tuple[float, float], hole: float
) -> list[Ghost]:
    """A bright cap that leans into the frame from outside: a big disc of which a part shows."""
    x, y, inward = _edge_place(rng, width_px, height_px)
    outer = _radius(rng, width_px, 0.08, 0.6)
    back = outer * float(rng.uniform(0.3, 0.85))
    x -= back * float(np.cos(np.deg2rad(inward)))
    y -= back * float(np.sin(np.deg2rad(inward)))
    ghost = _disc(rng, x, y, outer, 0.0, 0.0)
    return [
        replace(
            ghost,
            soft_px=outer * float(rng.uniform(0.03, 0.4)),
            shade=float(rng.uniform(0.0, 0.9)),
            shade_deg=inward + 180.0 * float(rng.integers(2)),
        )
    ]


_DRAW = {
    "beside": _beside,
    "around": _around,
    "mirrored": _mirrored,
    "arc": _arc,
    "fan": _fan,
    "glint": _glint,
}
