"""Stray light at random: which surfaces, where the ghost falls, how it is shaded and cut.

Kinds that show the pupil hang on one star of the frame, or on one beside it; arcs, fans and
glints come from edges lit from outside. The light itself is in `reflections`.
"""

from dataclasses import replace
from math import hypot, pi

import numpy as np
from numpy.random import Generator

from synth.reflections import Ghost, Reflection, mirrored, surface_level

# Kinds that show the pupil, and hang on one star.
_PUPILS = ("beside", "around", "mirrored")
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
    kind = kind or str(rng.choice(REFLECTION_KINDS, p=[0.25, 0.25, 0.18, 0.11, 0.12, 0.09]))
    if kind not in REFLECTION_KINDS:
        raise ValueError(f"reflection kind {kind!r}: use one of {', '.join(REFLECTION_KINDS)}")
    if obstruction is None:
        obstruction = float(rng.choice([0.0, rng.uniform(0.2, 0.5)]))
    for _ in range(60):
        source = _source(rng, width_px, height_px, stars_x_px, stars_y_px, stars_flux)
        if kind == "mirrored" and rng.random() < 0.35:
            source = _outside(rng, width_px, height_px)
        ghosts = _DRAW[kind](rng, width_px, height_px, source, obstruction)
        level, lit = surface_level(Reflection(tuple(ghosts)), width_px, height_px)
        if lit > (0.012 if kind == "glint" else 0.002) and level > 0:
            factor = strength_pct / 100.0 / level
            lit_up = tuple(replace(g, brightness=g.brightness * factor) for g in ghosts)
            return Reflection(lit_up, source if kind in _PUPILS else None)
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


def _outside(rng: Generator, width_px: int, height_px: int) -> tuple[float, float]:
    """A star that the frame does not show but the optics still see."""
    x, y, inward = _edge_place(rng, width_px, height_px)
    away = rng.uniform(0.02, 0.3) * width_px
    turn = np.deg2rad(inward)
    return float(x - away * np.cos(turn)), float(y - away * np.sin(turn))


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
    outer = _radius(rng, width_px, 0.012, 0.25)
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
