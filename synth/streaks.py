"""Streaks across a sub: satellites, aircraft, meteors, as electrons at full resolution.

A trail is a straight line with a cross-section of Gaussian sigma `sigma_px` (seeing, optics and
the blur of a near object) and a brightness along it that may be constant, tumble, flare, flash
or swell and die. Its strength is the matched-filter signal to noise,
S/N = (A / noise) sqrt(L s sqrt(pi)) for a constant trail of peak A, length L and sigma s, and
with A^2 L replaced by the integral of A(t)^2 along it for any other: no filter does better.
The physics of satellites is in `orbits`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import cos, hypot, pi, sin, sqrt

import numpy as np
import torch
from numpy.random import Generator
from torch import Tensor

from synth.passes import Sub, chord, timed
from synth.patches import numbers_of
from synth.transfer import moved


def trail_amplitude(snr: float, sky_noise_e: float, length_px: float, sigma_px: float) -> float:
    """Peak electrons of a constant trail of that matched-filter S/N."""
    return snr * sky_noise_e / sqrt(length_px * sigma_px * sqrt(pi))


def trail_snr(amplitude_e: float, sky_noise_e: float, length_px: float, sigma_px: float) -> float:
    """Matched-filter S/N of a constant trail, the inverse of `trail_amplitude`."""
    return amplitude_e / sky_noise_e * sqrt(length_px * sigma_px * sqrt(pi))


@dataclass(frozen=True)
class Trail:
    """One straight trail from (x0, y0) to (x1, y1), which may lie outside the frame."""

    x0_px: float
    y0_px: float
    x1_px: float
    y1_px: float
    sigma_px: float
    peak_e: float
    blur_px: float = 0.0  # diameter of the range blur: two edges of a ring seen from the side
    slope: float = 0.0  # relative change of brightness from end to end
    flare: float = 0.0  # height of a flare over the trail
    flare_at: float = 0.5  # along the trail, 0 to 1
    flare_width: float = 0.1
    pulse_depth: float = 0.0  # 0 constant to 1 dark between the flashes
    pulse_px: float = 100.0  # period
    pulse_sharp: float = 1.0  # 1 = cosine; high = short flashes
    pulse_phase: float = 0.0
    pulse_double: float = 0.0  # second flash after this share of the period, 0 = single
    rise: float = 0.0  # a meteor's swelling t^rise (1 - t)^fall, scaled to 1 at its top
    fall: float = 0.0
    wobble_px: float = 0.0  # the air moves each point of a fast object by itself
    wobble_cycles: float = 0.0  # per trail
    wobble_phase: float = 0.0


_FIELDS = len(Trail.__dataclass_fields__)


def _profile(v: dict[str, Tensor], t: Tensor, length: Tensor) -> Tensor:
    """Brightness along the trail over its peak; t in [0, 1] along it, soft ends not included."""
    along = 1.0 + v["slope"] * (t - 0.5)
    bump = torch.exp(-(((t - v["flare_at"]) / v["flare_width"].clamp(min=1e-3)) ** 2))
    along = along * (1.0 + v["flare"] * bump)
    cycle = 2 * pi * t * length / v["pulse_px"].clamp(min=1e-3) + v["pulse_phase"]
    sharp = v["pulse_sharp"].clamp(min=0.1)
    flash = (0.5 + 0.5 * torch.cos(cycle)).clamp(min=1e-6) ** sharp
    second = (0.5 + 0.5 * torch.cos(cycle - 2 * pi * v["pulse_double"])).clamp(min=1e-6) ** sharp
    flash = torch.maximum(flash, torch.where(v["pulse_double"] > 0, second, torch.zeros_like(t)))
    along = along * (1.0 - v["pulse_depth"] * (1.0 - flash))
    rise, fall = v["rise"], v["fall"]
    inside = t.clamp(1e-4, 1.0 - 1e-4)
    top = (rise / (rise + fall).clamp(min=1e-6)).clamp(1e-4, 1.0 - 1e-4)
    swell = torch.exp(
        rise * (torch.log(inside) - torch.log(top))
        + fall * (torch.log(1 - inside) - torch.log(1 - top))
    )
    return (along * swell).clamp(min=0.0)


def _light(v: dict[str, Tensor], x: Tensor, y: Tensor) -> Tensor:
    """Electrons of one trail at given places."""
    dx, dy = v["x1_px"] - v["x0_px"], v["y1_px"] - v["y0_px"]
    length = torch.sqrt(dx * dx + dy * dy).clamp(min=1e-3)
    cx, cy = dx / length, dy / length
    s = v["sigma_px"].clamp(min=0.3)
    along = (x - v["x0_px"]) * cx + (y - v["y0_px"]) * cy
    across = (y - v["y0_px"]) * cx - (x - v["x0_px"]) * cy
    t = along / length
    turn = 2 * pi * v["wobble_cycles"] * t + v["wobble_phase"]
    across = across - 0.6 * v["wobble_px"] * (torch.sin(turn) + torch.sin(2.7 * turn + 1.0))
    # A ring seen edge on: light piles up at +-0.35 of its diameter.
    half = 0.35 * v["blur_px"]
    section = 0.5 * (
        torch.exp(-0.5 * ((across - half) / s) ** 2) + torch.exp(-0.5 * ((across + half) / s) ** 2)
    )
    root2 = sqrt(2.0)
    ends = 0.5 * (torch.erf(along / (root2 * s)) - torch.erf((along - length) / (root2 * s)))
    return v["peak_e"] * section * ends * _profile(v, t, length)


def trail_map(
    params: Sequence[Sequence[Trail] | Trail | None], x_px: Tensor, y_px: Tensor
) -> Tensor:
    """Electrons of all trails, float32 [B, h, w], sampled at the pixel centres given.

    Only pixels near a line are computed: for a flat line a few rows around it in every column,
    for a steep one the other way round. The axes must be regular.
    """
    frames = [(p,) if isinstance(p, Trail) else tuple(p or ()) for p in params]
    ends = torch.stack((x_px[0], x_px[-1], y_px[0], y_px[-1])).tolist()
    out = torch.zeros(len(frames), y_px.numel(), x_px.numel(), device=x_px.device)
    for k in range(max((len(frame) for frame in frames), default=0)):
        for steep in (False, True):
            chosen = [
                (b, frame[k])
                for b, frame in enumerate(frames)
                if len(frame) > k and _is_steep(frame[k]) == steep
            ]
            if chosen:
                _add(out, chosen, x_px, y_px, steep, ends)
    return out


def _is_steep(trail: Trail) -> bool:
    return abs(trail.y1_px - trail.y0_px) > abs(trail.x1_px - trail.x0_px)


def _add(
    out: Tensor,
    chosen: list[tuple[int, Trail]],
    x_px: Tensor,
    y_px: Tensor,
    steep: bool,
    ends: list,
) -> None:
    """Add one trail to each chosen frame, in place; no two touch the same pixel.

    ends: first and last number of either axis.
    """
    main_px, cross_px = (y_px, x_px) if steep else (x_px, y_px)
    count = cross_px.numel()
    first, last = ends[:2] if steep else ends[2:]
    step = (last - first) / max(count - 1, 1) or 1.0
    table = np.array([numbers_of(trail) for _, trail in chosen])
    # Perpendicular reach over the cosine of the angle to the main axis: at most sqrt(2) longer.
    reach = sqrt(2.0) * (5.0 * table[:, 4] + 0.5 * table[:, 6] + 2.0 * table[:, 18])
    size = int(min(count, np.ceil(2 * reach.max() / step) + 2))
    fields = moved(table.astype(np.float32), out.device)
    names = tuple(Trail.__dataclass_fields__)
    v = {name: fields[:, i, None, None] for i, name in enumerate(names)}
    x, y = ("x0_px", "x1_px"), ("y0_px", "y1_px")
    (a0, a1), (c0, c1) = (y, x) if steep else (x, y)
    tilt = (v[c1] - v[c0]) / (v[a1] - v[a0]).abs().clamp(min=1e-3) * torch.sign(v[a1] - v[a0])
    line = v[c0] + (main_px[None, :, None] - v[a0]) * tilt
    start = torch.floor((line - first) / step).long() - size // 2
    index = start.clamp(0, count - size) + torch.arange(size, device=out.device)
    main = main_px[None, :, None].expand(index.shape)
    cross = cross_px[index]
    light = _light(v, cross, main) if steep else _light(v, main, cross)
    frame = moved(np.array([b for b, _ in chosen]), out.device)[:, None, None]
    along = torch.arange(main_px.numel(), device=out.device)[None, :, None]
    out[(frame, along, index) if steep else (frame, index, along)] += light


def clipped_ends(
    trail: Trail, width_px: int, height_px: int
) -> tuple[float, float, float, float] | None:
    """End points (x0, y0, x1, y1) of the part inside the frame, None where it misses it."""
    dx, dy = trail.x1_px - trail.x0_px, trail.y1_px - trail.y0_px
    enter, leave = 0.0, 1.0
    for start, step, top in (
        (trail.x0_px, dx, width_px - 0.5),
        (trail.y0_px, dy, height_px - 0.5),
    ):
        if abs(step) < 1e-9:
            if not -0.5 <= start <= top:
                return None
            continue
        at = sorted(((-0.5 - start) / step, (top - start) / step))
        enter, leave = max(enter, at[0]), min(leave, at[1])
    if enter >= leave:
        return None
    return (
        trail.x0_px + enter * dx,
        trail.y0_px + enter * dy,
        trail.x0_px + leave * dx,
        trail.y0_px + leave * dy,
    )


def frame_snr(trail: Trail, sky_noise_e: float, width_px: int, height_px: int) -> float:
    """Matched-filter S/N of the part of a trail that lies inside the frame."""
    ends = clipped_ends(trail, width_px, height_px)
    if ends is None:
        return 0.0
    length = hypot(trail.x1_px - trail.x0_px, trail.y1_px - trail.y0_px)
    inside = hypot(ends[2] - ends[0], ends[3] - ends[1])
    start = hypot(ends[0] - trail.x0_px, ends[1] - trail.y0_px)
    t = torch.linspace(start / length, (start + inside) / length, 2049, dtype=torch.float64)
    v = {k: torch.full_like(t, x) for k, x in vars(trail).items()}
    power = float((_profile(v, t, torch.full_like(t, length)) ** 2).mean())
    # Two Gaussians `d` apart: their squared sum holds 1/2 (1 + exp(-d^2 / 4 s^2)) of one's.
    gap = 0.7 * trail.blur_px
    power *= 0.5 * (1.0 + np.exp(-((gap / (2.0 * trail.sigma_px)) ** 2)))
    return trail_snr(trail.peak_e * sqrt(power), sky_noise_e, inside, trail.sigma_px)


TRAIL_KINDS = ("satellite", "tumbling", "flaring", "short", "train", "aircraft", "meteor")
_ORBITING = ("satellite", "tumbling", "train")
_ENDING = ("short", *_ORBITING)


def draw_trails(
    rng: Generator,
    strength_snr: float,
    width_px: int,
    height_px: int,
    fwhm_px: float,
    sky_noise_e: float,
    kind: str | None = None,
    sub: Sub | None = None,
) -> list[Trail]:
    """Draw 1 to 6 trails, the strongest with a matched-filter S/N of `strength_snr`.

    With `sub` a satellite's trail is as long as it flies in that time; else it crosses the frame.
    """
    kind = kind or str(rng.choice(TRAIL_KINDS, p=[0.46, 0.1, 0.1, 0.08, 0.06, 0.1, 0.1]))
    if kind not in TRAIL_KINDS:
        raise ValueError(f"trail kind {kind!r} is unknown; use one of {', '.join(TRAIL_KINDS)}")
    for _ in range(50):
        trails = _DRAW[kind](rng, width_px, height_px, fwhm_px)
        if sub is not None and kind in _ORBITING:
            trails = timed(rng, trails, sub, width_px, height_px)
        snr = [frame_snr(t, sky_noise_e, width_px, height_px) for t in trails]
        ends = [clipped_ends(t, width_px, height_px) for t in trails]
        seen = max((hypot(e[2] - e[0], e[3] - e[1]) for e in ends if e), default=0.0)
        if max(snr) > 0 and seen > (0.03 if kind in _ENDING else 0.12) * width_px:
            factor = strength_snr / max(snr)
            return [
                replace(t, peak_e=t.peak_e * factor) for t, s in zip(trails, snr, strict=True) if s
            ]
    if kind != "meteor":
        # Nothing in orbit flies far enough across so short a sub; a meteor does.
        return draw_trails(rng, strength_snr, width_px, height_px, fwhm_px, sky_noise_e, "meteor")
    raise RuntimeError(f"no {kind} trail met a {width_px} x {height_px} frame in 50 draws")


def _sigma(rng: Generator, fwhm_px: float) -> float:
    return fwhm_px / 2.3548 * float(rng.uniform(0.85, 1.15))


def _air(rng: Generator, sigma_px: float) -> dict[str, float]:
    return {
        "wobble_px": float(rng.uniform(0.0, 0.25)) * sigma_px,
        "wobble_cycles": float(rng.uniform(10.0, 60.0)),
        "wobble_phase": float(rng.uniform(0.0, 2 * pi)),
    }


def _satellite(rng: Generator, width_px: int, height_px: int, fwhm_px: float) -> list[Trail]:
    """Sunlit from edge to edge, or entering or leaving during the sub."""
    count = int(rng.choice([1, 2, 3], p=[0.8, 0.15, 0.05]))
    trails = []
    for k in range(count):
        sigma = _sigma(rng, fwhm_px)
        peak = 1.0 if k == 0 else float(rng.uniform(0.2, 1.0))
        line = chord(rng, width_px, height_px, 0.2)
        slope = float(rng.normal(0.0, 0.5))
        trails.append(Trail(*line, sigma, peak, slope=slope, **_air(rng, sigma)))
    return trails


def _tumbling(rng: Generator, width_px: int, height_px: int, fwhm_px: float) -> list[Trail]:
    """A body that turns: regular brightening, sometimes twice a turn."""
    sigma = _sigma(rng, fwhm_px)
    return [
        Trail(
            *chord(rng, width_px, height_px, 0.15),
            sigma,
            1.0,
            pulse_depth=float(rng.uniform(0.4, 1.0)),
            pulse_px=float(np.exp(rng.uniform(np.log(0.03), np.log(0.5)))) * width_px,
            pulse_sharp=float(np.exp(rng.uniform(np.log(0.7), np.log(12.0)))),
            pulse_phase=float(rng.uniform(0.0, 2 * pi)),
            pulse_double=float(rng.choice([0.0, rng.uniform(0.3, 0.5)])),
            **_air(rng, sigma),
        )
    ]


def _flaring(rng: Generator, width_px: int, height_px: int, fwhm_px: float) -> list[Trail]:
    """A mirror-like panel: faint, a steep rise to a glint, faint again."""
    sigma = _sigma(rng, fwhm_px)
    trail = Trail(
        *chord(rng, width_px, height_px),
        sigma,
        1.0,
        flare=float(np.exp(rng.uniform(np.log(2.0), np.log(40.0)))),
        flare_width=float(rng.uniform(0.02, 0.15)),
        **_air(rng, sigma),
    )
    # The line reaches far beyond the frame on both sides; the flare has to be inside.
    return [replace(trail, flare_at=float(rng.uniform(0.4, 0.6)))]


def _short(rng: Generator, width_px: int, height_px: int, fwhm_px: float) -> list[Trail]:
    """High orbits, or a sub that began or ended in mid-pass: both ends inside."""
    sigma = _sigma(rng, fwhm_px)
    angle, length = rng.uniform(0.0, 2 * pi), float(rng.uniform(0.04, 0.35)) * width_px
    x, y = rng.uniform(0.1, 0.9) * width_px, rng.uniform(0.1, 0.9) * height_px
    dx, dy = 0.5 * length * cos(angle), 0.5 * length * sin(angle)
    return [Trail(float(x - dx), float(y - dy), float(x + dx), float(y + dy), sigma, 1.0)]


def _train(rng: Generator, width_px: int, height_px: int, fwhm_px: float) -> list[Trail]:
    """Newly launched satellites on one track: near-parallel trails side by side."""
    x0, y0, x1, y1 = chord(rng, width_px, height_px)
    length = hypot(x1 - x0, y1 - y0)
    px, py = -(y1 - y0) / length, (x1 - x0) / length
    trails, sigma = [], _sigma(rng, fwhm_px)
    for _ in range(int(rng.integers(2, 7))):
        side = rng.normal(0.0, 0.08) * width_px
        turn = side + rng.normal(0.0, 0.004) * length
        peak = float(rng.uniform(0.5, 1.0))
        ends = (x0 + side * px, y0 + side * py, x1 + turn * px, y1 + turn * py)
        trail = Trail(*(float(e) for e in ends), sigma, peak)  # type: ignore[call-arg]
        trails.append(replace(trail, **_air(rng, sigma)))
    return trails


def _aircraft(rng: Generator, width_px: int, height_px: int, fwhm_px: float) -> list[Trail]:
    """Two wing lights drawn as parallel lines, and a strobe that flashes twice a second."""
    x0, y0, x1, y1 = chord(rng, width_px, height_px)
    length = hypot(x1 - x0, y1 - y0)
    px, py = -(y1 - y0) / length, (x1 - x0) / length
    gap = float(np.exp(rng.uniform(np.log(2.0), np.log(30.0)))) * fwhm_px
    sigma, blur = _sigma(rng, fwhm_px), float(rng.uniform(0.0, 2.0)) * fwhm_px
    period = float(np.exp(rng.uniform(np.log(0.04), np.log(0.4)))) * width_px
    trails = []
    for side, steady in ((-0.5, True), (0.5, True), (0.0, False)):
        dx, dy = side * gap * px, side * gap * py
        peak = float(rng.uniform(0.15, 0.6)) if steady else 1.0
        trails.append(
            Trail(
                x0_px=float(x0 + dx),
                y0_px=float(y0 + dy),
                x1_px=float(x1 + dx),
                y1_px=float(y1 + dy),
                sigma_px=sigma,
                peak_e=peak,
                blur_px=blur,
                pulse_depth=0.0 if steady else 1.0,
                pulse_px=period,
                pulse_sharp=float(rng.uniform(30.0, 400.0)),
                pulse_phase=float(rng.uniform(0.0, 2 * pi)),
                pulse_double=0.0 if rng.random() < 0.5 else float(rng.uniform(0.08, 0.2)),
            )
        )
    return trails


def _meteor(rng: Generator, width_px: int, height_px: int, fwhm_px: float) -> list[Trail]:
    """Swells, often bursts near its end, and dies; both ends may be inside."""
    sigma = _sigma(rng, fwhm_px)
    angle, length = rng.uniform(0.0, 2 * pi), float(rng.uniform(0.25, 1.6)) * width_px
    x, y = rng.uniform(0.15, 0.85) * width_px, rng.uniform(0.15, 0.85) * height_px
    dx, dy = 0.5 * length * cos(angle), 0.5 * length * sin(angle)
    return [
        Trail(
            float(x - dx),
            float(y - dy),
            float(x + dx),
            float(y + dy),
            sigma,
            1.0,
            blur_px=float(rng.uniform(0.0, 0.5)) * fwhm_px,
            rise=float(rng.uniform(0.8, 2.5)),
            fall=float(rng.uniform(0.3, 1.0)),
            flare=float(rng.choice([0.0, rng.uniform(0.5, 3.0)])),
            flare_at=float(rng.uniform(0.65, 0.9)),
            flare_width=float(rng.uniform(0.01, 0.05)),
        )
    ]


_DRAW = {
    "satellite": _satellite,
    "tumbling": _tumbling,
    "flaring": _flaring,
    "short": _short,
    "train": _train,
    "aircraft": _aircraft,
    "meteor": _meteor,
}
