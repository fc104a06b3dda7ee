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
from math import pi

import torch
from torch import Tensor

from synth.patches import boxes, item_table, soft_step


def gap_mm(diameter_px: float, pixel_um: float, focal_ratio: float) -> float:
    """How far before the sensor the surface lies that throws the sensor's light back as a disc of
    that diameter: 2 gap / N is the disc."""
    return 0.5e-3 * diameter_px * pixel_um * focal_ratio


def window_mm(diameter_px: float, pixel_um: float, focal_ratio: float, index: float) -> float:
    """Thickness of the plane window in which a double bounce makes a disc of that diameter: the
    path is longer by 2 t / n, the disc that over N."""
    return index * gap_mm(diameter_px, pixel_um, focal_ratio)


def reflectance_product(share_per_px: float, diameter_px: float, hole: float = 0.0) -> float:
    """R1 R2 of the two surfaces whose ghost has that share of its star's light in every pixel."""
    return share_per_px * 0.25 * pi * diameter_px**2 * (1.0 - hole**2)


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
    vanes: float = 0.0  # shadows of the spider, from the rim to the hole
    vane_deg: float = 0.0  # direction of the first
    vane_width: float = 0.0  # over the outer radius
    sides: float = 0.0  # of a lens's iris: 0 round, 5 to 9 a polygon

    @property
    def is_round(self) -> bool:
        """Whether it is a whole disc or ring, not an arc or a fan."""
        return self.half_sector_deg >= 179 and self.fade == 0


_FIELDS = len(Ghost.__dataclass_fields__)


@dataclass(frozen=True)
class Reflection:
    """All stray light of one frame, and where its star is, if that is known."""

    ghosts: tuple[Ghost, ...]
    source_px: tuple[float, float] | None = None


def reflection_map(params: Sequence[Reflection | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Stray light in units of the undisturbed sky, float32 [B, h, w], at least 0."""
    out = torch.zeros(len(params), y_px.numel(), x_px.numel(), device=x_px.device)
    table = item_table(
        [p.ghosts if p else () for p in params], fields=len(Ghost.__dataclass_fields__)
    )
    for box in boxes(table, table[:, :, 2] + table[:, :, 6], x_px, y_px):
        box.add_to(out, _ghost_light(box.x, box.y, box.values))
    return out


def _ghost_light(x: Tensor, y: Tensor, values: tuple[Tensor, ...]) -> Tensor:
    x0, y0, outer, hole, hole_dx, hole_dy, soft, shade, shade_deg = values[:9]
    rim, rim_width, fade, sector_deg, half_sector_deg, rays, brightness = values[9:16]
    vanes, vane_deg, vane_width, sides = values[16:]
    outer, soft = outer.clamp(min=1e-3), soft.clamp(min=0.5)
    dx, dy = (x - x0) / outer, (y - y0) / outer
    radius = torch.sqrt(dx * dx + dy * dy + 1e-12)
    angle = torch.atan2(dy, dx)
    # A polygon's edge lies nearer than its corners: distances are stretched in between.
    per_side = pi / sides.clamp(min=3.0)
    stretch = torch.cos(_folded(angle, per_side)) / torch.cos(per_side)
    radius = radius * torch.where(sides > 2, stretch, torch.ones_like(stretch))
    to_hole = torch.sqrt((dx - hole_dx) ** 2 + (dy - hole_dy) ** 2)
    light = soft_step((1.0 - radius) * outer, soft)
    inside_hole = soft_step((hole - to_hole) * outer, soft) * (hole > 0)
    light = light * (1.0 - inside_hole)
    off = _folded(angle - torch.deg2rad(vane_deg), pi / vanes.clamp(min=1.0))
    across = radius * torch.where(off.abs() < pi / 2, off.sin().abs(), torch.ones_like(off))
    light = light * (1.0 - soft_step((0.5 * vane_width - across) * outer, soft) * (vanes > 0))
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
    pattern = (
        torch.cos(17.0 * angle + shade_deg)
        + torch.cos(29.0 * angle - 2 * shade_deg)
        + torch.cos(43.0 * angle + 3 * shade_deg)
        + torch.cos(71.0 * angle - 5 * shade_deg)
    ) / 4.0
    return brightness * light * (1.0 + rays * pattern)


def _folded(angle: Tensor, half: Tensor) -> Tensor:
    """The angle to the nearest of equally spaced directions 2 x `half` apart, from 0 on."""
    return torch.remainder(angle + half, 2 * half) - half


def through_pupil(
    p: Reflection, vanes: int = 0, vane_deg: float = 0.0, vane_width: float = 0.0, sides: int = 0
) -> Reflection:
    """The same reflection of a telescope whose pupil has vanes, or a lens with an iris.

    `vane_width` is over the radius of the pupil. Arcs, fans and glints show no pupil.
    """
    shaped = {"vanes": float(vanes), "vane_deg": vane_deg, "vane_width": vane_width}
    return replace(
        p,
        ghosts=tuple(
            replace(g, **shaped, sides=float(sides)) if g.is_round and g.hole < 0.7 else g
            for g in p.ghosts
        ),
    )


def surface_level(p: Reflection, width_px: int, height_px: int) -> tuple[float, float]:
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
