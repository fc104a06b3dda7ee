"""What takes light away on its way to the sensor: vignetting and dust.

Both are transmissions in [0, 1] that multiply sky and stars before photon noise. Vignetting is
cos^4 of the field angle (natural) times the overlap of two circles, the beam and the stop that
cuts it (mechanical). A dust mote on a window at distance d before the sensor casts the shadow of
the pupil: an annulus of diameter d/N, inner diameter eps times that, blurred by the mote's own
size; an opaque mote of area a takes a / (area of the annulus) of the light inside it.
Both follow from geometry; nothing here knows of diffraction, which only softens what the mote's
size has softened already.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan, hypot, pi, sqrt, tan

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from synth.patches import boxes, columns, item_table


def dust_distance_mm(shadow_px: float, pixel_um: float, focal_ratio: float) -> float:
    """How far before the sensor the mote sits whose shadow is `shadow_px` wide."""
    return shadow_px * pixel_um * 1e-3 * focal_ratio


def circle_overlap(radius_a: Tensor, radius_b: Tensor, distance: Tensor) -> Tensor:
    """Area common to two circles whose centres are `distance` apart (broadcasts)."""
    ra, rb = radius_a.clamp(min=1e-6), radius_b.clamp(min=1e-6)
    least = 1e-4 * torch.minimum(ra, rb).min().double()
    d = torch.maximum(distance, least.to(distance.dtype))
    cos_a = ((d * d + ra * ra - rb * rb) / (2 * d * ra)).clamp(-1.0, 1.0)
    cos_b = ((d * d + rb * rb - ra * ra) / (2 * d * rb)).clamp(-1.0, 1.0)
    kite = ((ra + rb - d) * (d + ra - rb) * (d - ra + rb) * (d + ra + rb)).clamp(min=0.0)
    return ra * ra * torch.acos(cos_a) + rb * rb * torch.acos(cos_b) - 0.5 * torch.sqrt(kite)


@dataclass(frozen=True)
class Vignetting:
    """Transmission falling away from (x_px, y_px)."""

    x_px: float
    y_px: float
    tan_per_px: float  # tangent of the field angle per pixel: pixel size / focal length
    stop_radius: float  # of the cutting stop, in radii of the beam where it passes the stop
    shift_per_px: float  # shift of the beam against the stop, beam radii per pixel off axis


def vignetting_map(params: Sequence[Vignetting | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Transmission, float32 [B, h, w], 1 on the axis of each frame; 1 throughout for None."""
    names = ("x_px", "y_px", "tan_per_px", "stop_radius", "shift_per_px")
    x0, y0, tangent, stop, shift = columns(params, names, 0.0, x_px)
    stop = torch.where(stop > 0, stop, torch.full_like(stop, 2.0))
    radius = torch.sqrt((x_px[None, None, :] - x0) ** 2 + (y_px[None, :, None] - y0) ** 2)
    natural = (1.0 + (radius * tangent) ** 2) ** -2  # cos^4 = (1 + tan^2)^-2
    beam = torch.ones_like(stop)
    open_area = pi * torch.minimum(beam, stop) ** 2
    mechanical = circle_overlap(beam, stop, radius * shift) / open_area
    return natural * mechanical.clamp(0.0, 1.0)


def vignetting_pct(p: Vignetting, width_px: int, height_px: int) -> float:
    """How far the mean of the four corners lies below the brightest point of the frame, in %."""
    x, y = np.linspace(0, width_px - 1, 33), np.linspace(0, height_px - 1, 33)
    x32, y32 = torch.tensor(x, dtype=torch.float32), torch.tensor(y, dtype=torch.float32)
    t = vignetting_map([p], x32, y32)[0].double()
    return float(100.0 * (1.0 - t[[0, 0, -1, -1], [0, -1, 0, -1]].mean() / t.max()))


def _overlap_share(stop: float, distance: np.ndarray) -> np.ndarray:
    """Share of a unit beam that passes a stop of radius `stop` at shifts `distance`."""
    t = torch.as_tensor(np.asarray(distance, dtype=np.float64))
    area = circle_overlap(torch.ones_like(t), torch.full_like(t, stop), t)
    return (area / (pi * min(1.0, stop) ** 2)).numpy()


def draw_vignetting(
    rng: Generator,
    strength_pct: float,
    width_px: int,
    height_px: int,
    half_field_deg: float | None = None,
) -> Vignetting:
    """Draw a vignetting whose corners lie `strength_pct` % (0 to 98) below the centre.

    `half_field_deg`, the field angle of a corner, sets the natural share; drawn where unknown.
    A stop close to the sensor (undersized filter) darkens late and steeply, one far from it
    (mirror, baffle, tube) early and gently.
    """
    target = 1.0 - min(max(strength_pct, 0.0), 98.0) / 100.0
    half_diagonal = 0.5 * hypot(width_px - 1, height_px - 1)
    if half_field_deg is None:
        half_field_deg = float(np.exp(rng.uniform(np.log(0.2), np.log(8.0))))
    # The natural share alone may never exceed what was asked for.
    largest_deg = np.rad2deg(atan(sqrt(max(target**-0.5 - 1.0, 0.0)))) * 0.95
    tangent = tan(np.deg2rad(min(half_field_deg, largest_deg))) / half_diagonal
    centred = rng.random() < 0.6
    spread = 0.01 if centred else 0.08
    x0 = 0.5 * (width_px - 1) + spread * width_px * rng.standard_normal()
    y0 = 0.5 * (height_px - 1) + spread * height_px * rng.standard_normal()
    x0 = float(np.clip(x0, 0.25 * width_px, 0.75 * width_px))
    y0 = float(np.clip(y0, 0.25 * height_px, 0.75 * height_px))
    # Round black corners come only with much vignetting; otherwise the fall is gentle.
    is_near = strength_pct > 15.0 and rng.random() < 0.3
    lowest, highest = (1.8, 5.0) if is_near else (1.08, 1.8)
    stop = float(np.exp(rng.uniform(np.log(lowest), np.log(highest))))
    corners = [(0.0, 0.0), (0.0, height_px - 1.0), (width_px - 1.0, 0.0)]
    corners.append((width_px - 1.0, height_px - 1.0))
    radii = np.array([hypot(cx - x0, cy - y0) for cx, cy in corners])
    natural = (1.0 + (radii * tangent) ** 2) ** -2
    # The corner mean falls steadily with the shift: tabulate and look up.
    shifts = np.linspace(0.0, (1.0 + stop) / radii.min(), 2001)
    means = (natural[:, None] * _overlap_share(stop, radii[:, None] * shifts)).mean(0)
    shift = float(np.interp(-target, -means, shifts))
    return Vignetting(x0, y0, tangent, stop, shift)


@dataclass(frozen=True)
class Mote:
    """The shadow of one mote."""

    x_px: float
    y_px: float
    outer_px: float  # radius of the pupil's shadow
    hole_px: float  # radius of the obstruction's shadow
    hole_dx_px: float  # off-axis motes see the obstruction shifted against the pupil
    hole_dy_px: float
    mote_px: float  # radius of the mote: the softness of every edge
    opacity: float  # 1 = lets nothing through


@dataclass(frozen=True)
class DustMotes:
    """The motes of one frame, fixed on the sensor through a run."""

    motes: tuple[Mote, ...]


def dust_map(params: Sequence[DustMotes | None], x_px: Tensor, y_px: Tensor) -> Tensor:
    """Transmission, float32 [B, h, w]; 1 where there is no shadow."""
    # Shadows multiply where they overlap: their logarithms add.
    loss = torch.zeros(len(params), y_px.numel(), x_px.numel(), device=x_px.device)
    table = item_table([p.motes if p else () for p in params], fields=8)
    for box in boxes(table, table[:, :, 2] + table[:, :, 6], x_px, y_px):
        x0, y0, outer, hole, hole_dx, hole_dy, mote, opacity = box.values
        blocked = opacity * _blocked(
            torch.sqrt((box.x - x0) ** 2 + (box.y - y0) ** 2),
            torch.sqrt((box.x - x0 - hole_dx) ** 2 + (box.y - y0 - hole_dy) ** 2),
            outer,
            hole,
            mote,
        )
        box.add_to(loss, torch.log1p(-blocked.clamp_max(0.999999)))
    return loss.exp()


def _blocked(to_outer: Tensor, to_hole: Tensor, outer: Tensor, hole: Tensor, mote: Tensor):
    """Share of the annular pupil that a round mote covers, at given distances in pixels."""
    covered = circle_overlap(mote, outer, to_outer)
    covered = covered - torch.where(hole > 0, circle_overlap(mote, hole, to_hole), 0.0 * covered)
    area = (pi * (outer**2 - hole**2)).clamp(min=1e-6)
    return (covered / area).clamp(0.0, 1.0)


def _peak_blocked(radii_px: np.ndarray, outer: float, hole: float, slide: float) -> np.ndarray:
    """Greatest share of the pupil that motes of several radii cover, [len(radii_px)].

    The deepest place lies on the line through the centres of pupil and hole, `slide` px apart.
    """
    mote = torch.as_tensor(radii_px, dtype=torch.float64)[:, None]
    d = torch.linspace(-outer, outer, 129, dtype=torch.float64)[None, :] + 0.0 * mote
    wide, narrow = 0.0 * d + outer, 0.0 * d + hole
    return _blocked(d.abs(), (d - slide).abs(), wide, narrow, 0.0 * d + mote).amax(1).numpy()


def mote_depth(mote: Mote) -> float:
    """Greatest share of light that the mote takes, 0 to 1."""
    slide = hypot(mote.hole_dx_px, mote.hole_dy_px)
    peak = _peak_blocked(np.array([mote.mote_px]), mote.outer_px, mote.hole_px, slide)
    return mote.opacity * float(peak[0])


def _mote_of_depth(
    depth: float,
    opacity: float,
    x: float,
    y: float,
    outer: float,
    obstruction: float,
    dx: float,
    dy: float,
) -> Mote:
    """The mote, at least 0.75 px in radius, whose shadow is `depth` deep at its deepest."""

    def mote(radius: float, opacity: float) -> Mote:
        return Mote(x, y, outer, obstruction * outer, dx, dy, radius, opacity)

    # The depth grows with the mote until it fills the pupil: tabulate and look up.
    radii = np.geomspace(0.75, max(outer, 0.76), 48)
    depths = opacity * _peak_blocked(radii, outer, obstruction * outer, hypot(dx, dy))
    low = float(np.interp(depth, depths, radii))
    reached = mote_depth(mote(low, opacity))
    return mote(low, min(1.0, opacity * depth / max(reached, 1e-9)))


def draw_dust(
    rng: Generator,
    strength_pct: float,
    width_px: int,
    height_px: int,
    obstruction: float,
    count: int | None = None,
) -> DustMotes:
    """Draw 1 to 30 motes; the deepest, inside the frame, takes `strength_pct` % of the light.

    `obstruction` is the central obstruction of the telescope as a share of its aperture. The
    windows at which dust settles (sensor glass, filter, corrector) give two or three usual sizes.
    """
    depth = min(max(strength_pct, 0.0), 95.0) / 100.0
    # A window that has never been cleaned: many alike, small and shallow.
    is_dirty = count is None and depth < 0.1 and rng.random() < 0.5
    if count is None:
        count = int(rng.integers(8, 31)) if is_dirty else int(np.clip(rng.geometric(0.3), 1, 10))
    # Only specks near the sensor, whose shadows are small, can be deep.
    share = 0.25 * min(1.0, 0.08 / max(depth, 1e-3))
    largest = max(share * width_px, 0.03 * width_px, 40.0)
    planes = np.exp(rng.uniform(np.log(12.0), np.log(largest), size=3))  # shadow diameters
    if is_dirty:
        planes = np.exp(rng.uniform(np.log(12.0), np.log(40.0), size=1))
    motes = []
    for k in range(count):
        outer = 0.5 * float(np.clip(rng.choice(planes) * rng.normal(1.0, 0.04), 12.0, largest))
        own_depth = depth if k == 0 else depth * float(rng.beta(2.0 if is_dirty else 1.0, 1.5))
        margin = 0.04 if k == 0 else -0.05
        x = float(rng.uniform(margin, 1.0 - margin) * width_px)
        y = float(rng.uniform(margin, 1.0 - margin) * height_px)
        # Towards the edge the obstruction seen from the mote's plane slides off centre.
        slide = 0.25 * obstruction * outer * float(rng.normal(1.0, 0.3))
        dx = slide * (x / width_px - 0.5)
        dy = slide * (y / height_px - 0.5)
        opacity = max(float(rng.uniform(0.6, 1.0)), own_depth)
        motes.append(_mote_of_depth(own_depth, opacity, x, y, outer, obstruction, dx, dy))
    return DustMotes(tuple(motes))
