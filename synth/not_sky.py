"""Frames that are no star field: what ends up in a night's folder besides subs.

Flats, darks, a closed cap, planets, the Moon, daylight, test charts; and star fields that are no
subs any more: behind trees or a roof, of the whole sky, or stretched and smoothed into a picture.
The network learns to call them strange. They carry no fault: nothing about them is true or false.

Torch, one frame at a time on any device; `rng` draws what is shown, `generator` its noise.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from synth.rng import log_uniform
from synth.transfer import moved

_AT_ONCE_PX = 1 << 24  # of things painted together


@dataclass
class Canvas:
    """What a painter gets: the star field that it may use, and the frame's own level and noise."""

    sky: Tensor
    level: float
    noise: float
    top: float
    rng: np.random.Generator
    generator: torch.Generator

    @cached_property
    def x(self) -> Tensor:
        """(1, W) from -1 to 1 along the longer side."""
        height, width = self.sky.shape
        return (torch.arange(width, device=self.sky.device) * 2 - width)[None] / max(width, height)

    @cached_property
    def y(self) -> Tensor:
        height, width = self.sky.shape
        return (torch.arange(height, device=self.sky.device) * 2 - height)[:, None] / max(
            width, height
        )

    def some(self, drawn: Sequence[tuple[float, ...]]) -> Iterator[list[Tensor]]:
        """What was drawn of many things, a few of them at a time so that they fit in memory: their
        numbers as (K, 1, 1) each."""
        at_once = max(1, _AT_ONCE_PX // self.sky.numel())
        for start in range(0, len(drawn), at_once):
            table = np.array(drawn[start : start + at_once], np.float32).T
            yield list(moved(table, self.sky.device)[:, :, None, None])

    def grain(self) -> Tensor:
        return torch.randn(self.sky.shape, generator=self.generator, device=self.sky.device)

    def lit(self, light: Tensor, peak: float) -> Tensor:
        """Light of 0 to 1 as the sensor records it: shot noise growing with the root of it."""
        signal = light.clamp_min(0) * peak * (self.top - self.level)
        noise = self.noise * (1 + signal / max(20 * self.noise, 1e-6)).sqrt()
        return (self.level + signal + noise * self.grain()).clamp_max(self.top)

    def clouds(self, roughness: float, octaves: int = 6) -> Tensor:
        """A random field of zero mean: octaves of noise, the finer the weaker."""
        height, width = self.sky.shape
        out = torch.zeros(1, 1, height, width, device=self.sky.device)
        for octave in range(octaves):
            cells = 2 ** (octave + 1)
            shape = (1, 1, min(cells + 1, height), min(cells + 1, width))
            coarse = torch.randn(shape, generator=self.generator, device=self.sky.device)
            out += roughness**octave * F.interpolate(
                coarse, (height, width), mode="bilinear", align_corners=True
            )
        return out[0, 0]


def flat(canvas: Canvas) -> Tensor:
    rng = canvas.rng
    radius2 = (canvas.x - rng.normal(0, 0.2)) ** 2 + (canvas.y - rng.normal(0, 0.2)) ** 2
    light = 1 - rng.uniform(0.02, 0.6) * radius2 + rng.normal(0, 0.03) * canvas.x
    for _ in range(int(rng.integers(0, 12))):
        away = torch.hypot(canvas.x - rng.uniform(-1, 1), canvas.y - rng.uniform(-1, 1))
        ring = torch.sigmoid((rng.uniform(0.01, 0.06) - away) / 0.003)
        light = light * (1 - rng.uniform(0.01, 0.2) * ring)
    return canvas.lit(light, rng.uniform(0.1, 0.8))


def dark(canvas: Canvas) -> Tensor:
    rng = canvas.rng
    frame = canvas.level + canvas.noise * rng.uniform(0.2, 1.0) * canvas.grain()
    hot = torch.rand(frame.shape, generator=canvas.generator, device=frame.device)
    frame += canvas.noise * rng.uniform(5, 300) * (hot < 10 ** rng.uniform(-6, -2.5)) * hot * 1e3
    if rng.random() < 0.4:
        corner = torch.hypot(canvas.x - rng.choice([-1, 1]), canvas.y - rng.choice([-1, 1]))
        frame += canvas.noise * rng.uniform(1, 30) * torch.exp(-corner * rng.uniform(1, 6))
    if rng.random() < 0.3:
        rows = torch.randn(len(frame), 1, generator=canvas.generator, device=frame.device)
        frame += canvas.noise * rng.uniform(0.1, 1.0) * rows
    return frame


def blank(canvas: Canvas) -> Tensor:
    level = canvas.rng.choice([canvas.level, canvas.top, 0.0])
    spread = canvas.rng.choice([0.0, 0.3, 1.0]) * canvas.noise
    return (level + spread * canvas.grain()).clamp_max(canvas.top)


def daylight(canvas: Canvas) -> Tensor:
    """Things in front of things: patches of even tone with soft texture, as any photograph."""
    rng = canvas.rng
    light = 0.5 + 0.2 * canvas.clouds(rng.uniform(0.4, 0.7))
    things = [
        (
            log_uniform(rng, 0.03, 0.7),  # size
            *rng.uniform(-1, 1, 2),
            rng.uniform(0, np.pi),  # turn
            rng.uniform(0.2, 1.0),  # squash
            rng.random() < 0.4,  # with corners
            rng.uniform(0.001, 0.02),  # softness of the rim
            rng.uniform(0, 1),  # tone
            0.15 * rng.random(),  # of its stripes
            rng.uniform(5, 200),
        )
        for _ in range(int(rng.integers(5, 60)))
    ]
    for size, x, y, turn, squash, cornered, soft, tone, stripes, pitch in canvas.some(things):
        u, v = canvas.x - x, canvas.y - y
        a, b = u * turn.cos() + v * turn.sin(), v * turn.cos() - u * turn.sin()
        square, round_ = torch.maximum(a.abs(), b.abs() / squash), a.hypot(b / squash)
        cover = torch.sigmoid((size - torch.where(cornered > 0, square, round_)) / soft)
        # Each lies before those painted earlier: what is seen of it is left by all after it.
        left = (1 - cover).flip(0).cumprod(0).flip(0)
        seen = cover * torch.cat((left[1:], torch.ones_like(left[:1])))
        light = light * left[0] + (seen * (tone + stripes * torch.sin(a * pitch))).sum(0)
    light = light * (1 + rng.uniform(0, 0.3) * canvas.clouds(0.85))
    return canvas.lit(light.clamp(0, 1), rng.uniform(0.2, 1.0))


def planet(canvas: Canvas) -> Tensor:
    rng = canvas.rng
    radius = float(np.exp(rng.uniform(np.log(0.03), np.log(0.5))))
    u, v = canvas.x - rng.normal(0, 0.2), canvas.y - rng.normal(0, 0.2)
    squash = rng.uniform(0.9, 1.0)
    away = torch.hypot(u, v / squash) / radius
    limb = (1 - away.clamp_max(1) ** 2).sqrt() ** rng.uniform(0.2, 0.8)
    bands = 1 + rng.uniform(0, 0.3) * torch.sin(v / radius * rng.uniform(5, 25) + rng.uniform(0, 6))
    light = limb * bands * torch.sigmoid((1 - away) / rng.uniform(0.01, 0.1))
    if rng.random() < 0.3:  # a ring
        tilted = torch.hypot(u, v / rng.uniform(0.1, 0.5)) / radius
        light = light + 0.6 * ((tilted > 1.3) & (tilted < 2.2) & (away > 1))
    for _ in range(int(rng.integers(0, 5))):  # moons
        spot = torch.hypot(u - rng.uniform(-1, 1), v - rng.normal(0, 0.05)) / rng.uniform(
            0.004, 0.01
        )
        light = light + rng.uniform(0.05, 0.5) * torch.exp(-0.5 * spot**2)
    return canvas.lit(light, rng.uniform(0.1, 1.0))


def moon(canvas: Canvas) -> Tensor:
    rng = canvas.rng
    radius = float(rng.uniform(0.3, 2.5))
    u, v = canvas.x - rng.normal(0, 0.6), canvas.y - rng.normal(0, 0.6)
    away = torch.hypot(u, v) / radius
    ground = 1 + 0.25 * canvas.clouds(rng.uniform(0.5, 0.9), 8)
    pits = [
        (log_uniform(rng, 0.01, 0.15), *rng.uniform(-1, 1, 2))
        for _ in range(int(rng.integers(5, 50)))
    ]
    for size, x, y in canvas.some(pits):
        du, dv = (u - x) / size, (v - y) / size
        pit = torch.hypot(du, dv)
        slopes = 0.5 * du * torch.exp(-(pit**4)) + 0.2 * torch.exp(-((pit - 1) ** 2) * 40)
        ground = ground + slopes.sum(0)
    lamp = rng.uniform(-np.pi, np.pi)
    sun = (u * np.cos(lamp) + v * np.sin(lamp)) / radius + rng.uniform(-0.6, 0.9)
    light = ground * torch.sigmoid(sun * 8) * torch.sigmoid((1 - away) * radius * 200)
    return canvas.lit(light, rng.uniform(0.2, 1.2))


def chart(canvas: Canvas) -> Tensor:
    rng = canvas.rng
    kind = rng.choice(["board", "bars", "star", "steps", "dots"])
    pitch = rng.uniform(8, 80)
    turn = rng.uniform(-0.2, 0.2)
    u = canvas.x * np.cos(turn) + canvas.y * np.sin(turn)
    v = canvas.y * np.cos(turn) - canvas.x * np.sin(turn)
    if kind == "board":
        light = (torch.sin(u * pitch) * torch.sin(v * pitch) > 0).float()
    elif kind == "bars":
        light = (torch.sin(u * pitch * (1 + u)) > 0).float() + 0 * v
    elif kind == "star":
        light = (torch.sin(torch.atan2(v, u) * round(pitch / 2)) > 0).float()
    elif kind == "steps":
        light = ((u + 1) * pitch / 10).floor() / (pitch / 5) + 0 * v
    else:
        light = (torch.cos(u * pitch) + torch.cos(v * pitch) > rng.uniform(0.5, 1.8)).float()
    return canvas.lit(0.05 + 0.9 * light, rng.uniform(0.1, 1.0))


def behind_things(canvas: Canvas) -> Tensor:
    """A star field behind a roof, a hedge or a tree: dark or lamp-lit, with a ragged edge."""
    rng = canvas.rng
    turn, edge = rng.uniform(-np.pi, np.pi), rng.uniform(-0.5, 0.75)
    height = canvas.x * np.cos(turn) + canvas.y * np.sin(turn)
    ragged = rng.choice([0.0, rng.uniform(0.05, 0.4)]) * canvas.clouds(rng.uniform(0.5, 0.85), 8)
    cover = torch.sigmoid((height + ragged - edge) / rng.uniform(0.002, 0.05))
    tone = rng.choice([-0.6, rng.uniform(0.5, 8.0)]) * (1 + 0.3 * canvas.clouds(0.8, 8))
    sky = float(canvas.sky.median()) - canvas.level
    thing = canvas.level + max(sky, canvas.noise) * (1 + tone).clamp_min(0)
    thing = thing + canvas.noise * canvas.grain()
    return canvas.sky * (1 - cover) + thing * cover


def twigs(canvas: Canvas) -> Tensor:
    """A star field through bare branches that grow into it from one side, forking and thinning."""
    rng = canvas.rng
    low = float(canvas.y.max())
    ends = []
    for _ in range(int(rng.integers(1, 4))):
        side = rng.uniform(-np.pi, np.pi)
        start = 1.1 * np.array([np.cos(side), low * np.sin(side)])
        inward = side + np.pi + rng.normal(0, 0.4)
        ends.append((start, inward, rng.uniform(0.2, 0.6), rng.uniform(5e-3, 0.04)))
    drawn = []
    for _ in range(int(rng.integers(20, 100))):
        place, angle, length, width = ends.pop(0)
        along = np.array([np.cos(angle), np.sin(angle)])
        drawn.append((*place, *along, length, width))
        for _ in range(int(rng.integers(1, 4))):
            fork = place + along * length * rng.uniform(0.4, 1.0)
            ends.append((fork, angle + rng.normal(0, 0.6), 0.8 * length, 0.7 * width))
    cover = torch.zeros_like(canvas.sky)
    for x, y, right, down, reach, thick in canvas.some(drawn):
        u, v = canvas.x - x, canvas.y - y
        forth = torch.minimum((u * right + v * down).clamp_min(0), reach)
        away = torch.hypot(u - forth * right, v - forth * down)
        edge = thick * (1 - 0.3 * forth / reach)
        dark = torch.sigmoid((edge - away) / (0.15 * thick).clamp_min(1e-3))
        cover = torch.maximum(cover, dark.amax(0))
    sky = float(canvas.sky.median()) - canvas.level
    tone = rng.choice([-0.7, rng.uniform(0.5, 5.0)])
    thing = canvas.level + max(sky, canvas.noise) * (1 + tone) + canvas.noise * canvas.grain()
    return canvas.sky * (1 - cover) + thing * cover


def skyline(canvas: Canvas) -> Tensor:
    """A star field low over the horizon: hills along one edge, posts and wires before them."""
    rng, turned = canvas.rng, int(canvas.rng.integers(4))
    level = canvas.sky.rot90(turned)
    height, width = level.shape
    along = torch.linspace(-1, 1, width, device=level.device)[None]
    up = torch.linspace(1, 0, height, device=level.device)[:, None]  # 0 at the edge below
    hills = canvas.clouds(rng.uniform(0.4, 0.7), 7).rot90(turned)[:1]
    top = rng.uniform(0.02, 0.25) + rng.uniform(0.0, 0.12) * hills
    cover = torch.sigmoid((top - up) * height / rng.uniform(0.5, 3.0))
    posts = [
        (
            rng.uniform(-1, 1),
            log_uniform(rng, 1e-3, 0.02),
            rng.uniform(0.1, 0.7),
            rng.normal(0, 0.02),
        )
        for _ in range(int(rng.integers(0, 7)))
    ]
    for x, thick, tall, lean in canvas.some(posts):
        away = (along - x - lean * up).abs()
        post = torch.sigmoid((thick - away) * width / 2) * torch.sigmoid((tall - up) * height / 2)
        cover = torch.maximum(cover, post.amax(0))
    for _ in range(int(rng.integers(0, 4)) if posts else 0):
        wire = (
            rng.uniform(0.05, 0.4) + rng.uniform(0, 0.05) * along**2 + rng.normal(0, 0.05) * along
        )
        thin = 0.7 * torch.exp(-0.5 * ((up - wire) * height / rng.uniform(0.5, 2.0)) ** 2)
        cover = torch.maximum(cover, thin)
    sky = max(float(level.median()) - canvas.level, canvas.noise)
    glow = sky * rng.choice([0.0, rng.uniform(0.05, 2.0)]) * torch.exp(-up / rng.uniform(0.1, 0.5))
    tone = rng.uniform(-0.9, -0.2) if rng.random() < 0.7 else rng.uniform(0.3, 3.0)
    texture = rng.uniform(0, 0.3) * canvas.clouds(0.85, 8).rot90(turned)
    thing = canvas.level + sky * ((1 + tone) * (1 + texture)).clamp_min(0)
    thing = thing + canvas.noise * canvas.grain().rot90(turned)
    return ((level + glow) * (1 - cover) + thing * cover).rot90(-turned)


def whole_sky(canvas: Canvas) -> Tensor:
    """The sky in a circle, horizon and all, with nothing outside it."""
    rng = canvas.rng
    radius = rng.uniform(0.4, 0.95)
    away = torch.hypot(canvas.x - rng.normal(0, 0.1), canvas.y - rng.normal(0, 0.1)) / radius
    edge = torch.sigmoid((1 - away - 0.03 * canvas.clouds(0.7, 7).abs()) / 0.01)
    sky = float(canvas.sky.median()) - canvas.level
    glow = max(sky, canvas.noise) * rng.uniform(0.2, 4.0) * away.clamp_max(1) ** 4
    outside = canvas.level + 0.5 * canvas.noise * canvas.grain()
    return (canvas.sky + glow) * edge + outside * (1 - edge)


def finished_picture(canvas: Canvas) -> Tensor:
    """Stretched, smoothed and squeezed into 8 bits: a picture to show, no sub to measure."""
    rng = canvas.rng
    smooth = F.avg_pool2d(canvas.sky[None, None], 3, 1, 1)[0, 0]
    for _ in range(int(rng.integers(0, 3))):
        smooth = F.avg_pool2d(smooth[None, None], 3, 1, 1)[0, 0]
    sharp = smooth + rng.uniform(0, 1.5) * (
        smooth - F.avg_pool2d(smooth[None, None], 5, 1, 2)[0, 0]
    )
    black = float(smooth.median()) - rng.uniform(-1, 5) * canvas.noise
    scale = canvas.noise * float(np.exp(rng.uniform(np.log(1), np.log(60))))
    bright = torch.asinh((sharp - black).clamp_min(0) / scale)
    return (255 * bright / bright.max().clamp_min(1e-6)).round()


PAINTERS: tuple[tuple[Callable[[Canvas], Tensor], float], ...] = (
    (flat, 1.5),
    (dark, 1.5),
    (blank, 0.5),
    (daylight, 2.0),
    (planet, 1.0),
    (moon, 1.0),
    (chart, 1.0),
    (behind_things, 2.0),
    (twigs, 1.0),
    (skyline, 1.5),
    (whole_sky, 1.0),
    (finished_picture, 1.5),
)


def paint_not_sky(pixels: Tensor, rng: np.random.Generator, generator: torch.Generator) -> Tensor:
    """(B, H, W) rendered star fields, ADU -> as many frames that are no subs, float32."""
    weights = np.array([weight for _, weight in PAINTERS])
    kinds = rng.choice(len(PAINTERS), len(pixels), p=weights / weights.sum())
    flat_pixels = pixels.flatten(1)[:, :: max(1, pixels[0].numel() // 4096)]
    low, middle = (flat_pixels.quantile(q, 1).tolist() for q in (0.02, 0.5))
    tops = pixels.flatten(1).amax(1).tolist()
    out = torch.empty_like(pixels)
    for i, kind in enumerate(kinds):
        noise = max((middle[i] - low[i]) / 2.05, 1e-6 * max(tops[i], 1.0))
        canvas = Canvas(
            pixels[i], low[i], noise, max(tops[i], middle[i] + 20 * noise), rng, generator
        )
        out[i] = PAINTERS[kind][0](canvas)
    return out
