"""Does a GPU give what the CPU gives? A batch of every fault, stage by stage, on both.

    PYTHONPATH=. python3 tests/benchmarks/gpu_check.py

Needs torch, numpy, scipy and safetensors only. Every stage gets the CPU's input on both devices, so
that differences do not add up; noise, which is another on every kind of device, is compared by its
moments. Prints the worst difference of each stage beside what is allowed, and of all light where it
is and what lies there; the exit status is 1 if any is over, 2 without a GPU. With --device cpu it
compares the CPU with itself.
"""

import argparse
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from classifier.context import CONTEXT
from classifier.starless import starless
from classifier.surface import read_surface
from classifier.sweeps import running_max
from classifier.views import PHYSICAL, Views, make_views
from classifier.vocabulary import KEYS
from synth.expose import expected_electrons
from synth.generate import apply, render_plan
from synth.plan import Plan, plan
from synth.processing import luminance
from synth.rng import stream, torch_stream
from synth.scene import draw_run
from synth.sensor import Readout, read_out
from synth.sheet_plan import plan_sheets
from synth.shot_noise import shot_noise
from synth.star_scenes import draw_star_scenes
from synth.star_sheets import SheetRenderer
from synth.star_tiles import TILES, StarTiles
from synth.starlight import BRIGHT_PX, star_layer
from synth.strength import settle
from training.tile_reader import read_tiles

WIDTH, HEIGHT = 512, 384
# Of the brightest pixel of the stars whose stamps reach a pixel. The shapes of the brightest stars
# come out of float32 transforms: in their wings these are off by a unit of float32's rounding,
# 2^-24 = 6e-8 of the star's peak, whatever the wing's own light (against float64, on the CPU, 4e-8
# to 6e-8 in the worst pixel of each of six frames). Two devices round differently, one of millions
# of pixels by more: three such units are allowed.
STAR_ROUNDING = 2e-7


@dataclass(frozen=True)
class Row:
    """The worst of a stage's differences, in units of what is allowed: over 1 is too much."""

    stage: str
    worst: float
    allowed: str
    where: str = ""

    @property
    def is_fine(self) -> bool:
        return self.worst <= 1.0


def _close(here: Tensor, there: Tensor, rtol: float, atol: float) -> float:
    """The largest difference over atol + rtol |value|; NaN only where the other has it too."""
    there = there.cpu()
    if not torch.equal(here.isnan(), there.isnan()):
        return float("inf")
    away = (here.double() - there.double()).abs().nan_to_num(0.0)
    return float((away / (atol + rtol * here.double().abs().nan_to_num(0.0))).max())


def _mostly(here: Tensor, there: Tensor, atol: float, share: float) -> float:
    """Share of the values that differ by more than atol, over the share that may."""
    return float(((here - there.cpu()).abs() > atol).double().mean()) / share


def _every_fault(cfa: bool) -> Plan:
    scenes = []
    for number, key in enumerate(key for key in KEYS if cfa or key != "bayer_grid"):
        (scene,) = draw_run(8, number, 1, WIDTH, HEIGHT, cfa)
        scenes.append(apply(scene, [key], stream(8, "check", key)))
    return plan(scenes)


def differences(device: str) -> Iterator[Row]:
    """Compare the CPU with `device`, stage by stage."""
    for cfa in (False, True):
        name = "colour" if cfa else "mono"
        planned = _every_fault(cfa)
        yield from _of_light(name, planned, device)
        yield from _of_views(name, planned, device)
        yield from _of_tiles(name, cfa, device)
    yield from _of_large_frames(device)
    yield from _of_noise(device)


def _of_light(name: str, planned: Plan, device: str) -> Iterator[Row]:
    # float32 transforms are good to some 1e-6 of a star's whole light, and stars of 1e4 times a
    # pixel's light share it; sums come in another order.
    stars = [star_layer(planned.stars, HEIGHT, WIDTH, d) for d in ("cpu", device)]
    brightest = stars[0].flatten(1).amax(1).clamp_min(1)[:, None, None]
    away = (stars[0] - stars[1].cpu()).abs() / (1e-5 * brightest + 0.02)
    yield Row(f"{name}: star layer", float(away.max()), "1e-5 of the brightest pixel + 0.02 e")
    here, there = (expected_electrons(planned, d).cpu() for d in ("cpu", device))
    nearby = running_max(running_max(stars[0], BRIGHT_PX + 1, 1), BRIGHT_PX + 1, 2)
    away = (here - there).abs() / (1e-4 * here.abs() + 0.02 + STAR_ROUNDING * nearby)
    reason = f"1e-4 of itself + 0.02 e + {STAR_ROUNDING:g} of the brightest star's peak there"
    place = np.unravel_index(int(away.nan_to_num(torch.inf).argmax()), away.shape)
    told = _lying_at(planned, place, here, there, stars[0], nearby)
    yield Row(f"{name}: all light", float(away.nan_to_num(torch.inf).max()), reason, told)
    mixed = luminance(here, "GRBG"), luminance(here.to(device), "GRBG")
    yield Row(f"{name}: colours mixed", _close(*mixed, 1e-5, 0.0), "1e-5 of itself")
    found = [torch.from_numpy(settle(planned.truth, d)) for d in ("cpu", device)]
    yield Row(f"{name}: strengths", _close(*found, 2e-3, 1e-4), "0.2 % of itself")


def _lying_at(
    planned: Plan,
    place: tuple[Any, ...],
    here: Tensor,
    there: Tensor,
    stars: Tensor,
    nearby: Tensor,
) -> str:
    """What is known of a pixel of a frame: its light on both devices, and what may have made it."""
    scene = planned.scenes[place[0]]
    frame, y, x = stars[place[0]], int(place[1]), int(place[2])
    row, column = divmod(int((frame == nearby[place]).flatten().int().argmax()), WIDTH)
    effects = {
        "trails": scene.trails,
        "clouds": scene.clouds,
        "a reflection": scene.reflection,
        "a charge tail": scene.charge_tail[0] > 0,
        "a smear": scene.smear_share > 0,
        "an edge": scene.edges,
        "dust": scene.dust,
        "amplifier glow": scene.amp_glow,
    }
    return (
        f"worst at x {x}, y {y} of the frame with {', '.join(scene.recipe) or 'no fault'}: "
        f"{float(here[place]):.6g} e here, {float(there[place]):.6g} e there; "
        f"{float(frame[y, x]):.4g} e of it stars', brightest pixel within reach "
        f"{float(nearby[place]):.4g} e at x {column}, y {row}; the frame has "
        f"{', '.join(name for name, given in effects.items() if given) or 'nothing else'}"
    )


def _of_views(name: str, planned: Plan, device: str) -> Iterator[Row]:
    batch = render_plan(planned, 8, 0, "cpu")
    physical = torch.stack([batch.physical[fact] for fact in PHYSICAL], 1)
    here = make_views(batch.pixels, physical, lines=2)
    there = make_views(batch.pixels.to(device), physical.to(device), lines=2).to("cpu")
    for view, atol in (("sky", 0.01), ("tiles", 0.01), ("bright", 0.02), ("facts", 0.02)):
        # Which of two equal peaks comes first is a matter of rounding: one in fifty may differ.
        worst = _mostly(getattr(here, view), getattr(there, view), atol, 0.02)
        yield Row(f"{name}: view {view}", worst, f"2 % of the values off by {atol}")
    worst = _mostly(here.stack, there.stack, 0.03, 0.03)
    yield Row(f"{name}: view stack", worst, "3 % of the values off by 0.03")
    # Of two lines that are as good as each other either may be the best.
    worst = _mostly(here.lines, there.lines, 0.03, 0.04)
    yield Row(f"{name}: view lines", worst, "4 % of the values off by 0.03")
    yield Row(f"{name}: star places", _unlike_places(here, there) / 0.03, "3 % of the stars")
    yield from _of_network(name, here, device)


def _of_large_frames(device: str) -> Iterator[Row]:
    """Two frames of 12 Mpx of stars and noise: only as large as that are they searched so."""
    generator = torch_stream("cpu", 9, "large")
    pixels = torch.randn(2, 2900, 4000, generator=generator) * 10 + 1000
    stars = torch.randint(0, pixels.numel(), (40_000,), generator=generator)
    pixels.view(-1)[stars] += 5000 * torch.rand(len(stars), generator=generator)
    about = torch.tensor([False] * 2), torch.tensor([torch.nan] * 2)
    here = starless(read_surface(pixels, *about))
    there = starless(read_surface(pixels.to(device), *(a.to(device) for a in about))).to("cpu")
    # A pixel at the limit is a star on one device and none on the other.
    worst = _mostly(here, there, 0.02, 0.001)
    yield Row("light between stars", worst, "0.1 % of the cells off by 0.02 ADU")


def _unlike_places(here: Views, there: Views) -> float:
    """Share of the stars on one device that have none within a pixel on the other."""
    away = torch.cdist(here.stars_px[..., :2], there.stars_px[..., :2]).amin(2)
    return float((away > 1).double().mean())


def _of_network(name: str, views: Views, device: str) -> Iterator[Row]:
    from classifier.errors import ModelError

    try:
        from classifier.weights import load_model

        network = load_model().network.eval()
    except (ModelError, ModuleNotFoundError) as error:
        print(f"(the network is left out: {error})", file=sys.stderr)
        return
    context = torch.full((len(views), len(CONTEXT)), float("nan"))
    with torch.inference_mode():
        here = network(views, context)
        network = network.to(device)
        there = network(views.to(device), context.to(device))
    # TF32 in convolutions keeps 10 bits: 1e-3 of features of the order of 10.
    yield Row(f"{name}: logits of the network", _close(here, there, 0.01, 0.05), "1 % + 0.05")


def _of_tiles(name: str, cfa: bool, device: str) -> Iterator[Row]:
    planned = plan_sheets(draw_star_scenes(8, 3, 24, WIDTH, HEIGHT, cfa))
    groups = [SheetRenderer(planned, d)._groups for d in ("cpu", device)]
    for (side, here), (_, there) in zip(*groups, strict=True):
        worst = _close(here.shapes.pictures(), there.shapes.pictures(), 1e-3, 1e-6)
        yield Row(f"{name}: star shapes, {side} px", worst, "1e-3 of itself + 1e-6 of the light")
        # Tiles about the brightest stars.
        places = torch.stack((here.x[:, :TILES], here.y[:, :TILES]), 2)
        origin = 16 * ((places - side / 2) / 16).round().long()
        light = here._light(origin, side, 9), there._light(origin.to(device), side, 9)
        worst = _close(*light, 1e-3, 1e-6 * float(light[0].amax()))
        yield Row(f"{name}: light of {side} px tiles", worst, "1e-3 of itself + 1e-6 of the most")
    for tiles in SheetRenderer(planned, "cpu").tiles(torch_stream("cpu", 8, "tiles")):
        here, there = read_tiles([tiles]), read_tiles([_moved(tiles, device)])
        there = (*_in_order(here[1], *there[:2]), *there[2:])
        for part, one, other in zip(("cut-outs", "facts", "stack"), here, there, strict=False):
            worst = _mostly(one, other, 0.02, 0.02)
            stage = f"{name}: {part} of {tiles.side_px} px tiles"
            yield Row(stage, worst, "2 % of the values off by 0.02")


def _in_order(facts: Tensor, cutouts: Tensor, others: Tensor) -> tuple[Tensor, Tensor]:
    """Cut-outs and facts of another device in the order of these facts, by the stars' places: which
    of two stars as bright comes first is a matter of rounding."""
    others, cutouts = others.cpu(), cutouts.cpu()
    same = torch.cdist(facts[..., :2], others[..., :2]).argmin(2)
    rows = torch.arange(len(facts))[:, None]
    return cutouts[rows, same], others[rows, same]


def _moved(tiles: StarTiles, device: str) -> StarTiles:
    def move(value: object) -> object:
        if isinstance(value, dict):
            return {key: each.to(device) for key, each in value.items()}
        return value.to(device) if isinstance(value, Tensor) else value

    return StarTiles(**{key: move(value) for key, value in vars(tiles).items()})  # type: ignore[arg-type]


def _of_noise(device: str) -> Iterator[Row]:
    """Moments of a million pixels, five standard errors."""
    n, gain, read = 1_000_000, 0.5, 3.0
    for electrons in (2.0, 100.0, 5000.0):

        def sensor_noise(generator: torch.Generator, level: float = electrons) -> Tensor:
            one = [torch.tensor([v], device=device) for v in (gain, read, 500.0, 1e9, 1e9, 0.0)]
            readout = Readout(*one, torch.tensor([False]))
            return read_out(torch.full((1, 1000, 1000), level, device=device), readout, generator)

        def tile_noise(generator: torch.Generator, level: float = electrons) -> Tensor:
            return shot_noise(torch.full((1000, 1000), level, device=device), generator)

        variance = electrons / gain**2 + (read / gain) ** 2 + 1 / 12
        wanted: tuple[tuple[str, Callable[..., Tensor], float, float], ...] = (
            ("read-out", sensor_noise, 500 + electrons / gain, variance),
            ("tiles' shot noise", tile_noise, electrons, electrons),
        )
        for what, draw, mean, spread2 in wanted:
            values = draw(torch_stream(device, 8, what)).double()
            off_mean = abs(float(values.mean()) - mean) / (5 * (spread2 / n) ** 0.5 + 1e-3 * mean)
            kurtosis = 2 + 1 / electrons
            allowed = 5 * (kurtosis / n) ** 0.5 + 0.003
            off_variance = abs(float(values.var()) / spread2 - 1) / allowed
            stage = f"{what}, {electrons:g} e"
            yield Row(stage, max(off_mean, off_variance), "mean and variance, 5 standard errors")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--device", default="cuda")
    args = parser.parse_args()
    if args.device.startswith("cuda") and not torch.cuda.is_available():
        print("no CUDA device is there: nothing to compare", file=sys.stderr)
        return 2
    name = torch.cuda.get_device_name() if args.device.startswith("cuda") else "the CPU again"
    print(f"the CPU against {name}, torch {torch.__version__}, {Path.cwd().name}")
    print(f"{'stage':44s} {'of what is allowed':>18s}  allowed")
    wrong = 0
    for row in differences(args.device):
        wrong += not row.is_fine
        mark = "" if row.is_fine else "   <-- TOO MUCH"
        print(f"{row.stage:44s} {row.worst:18.3f}  {row.allowed}{mark}", flush=True)
        if row.where:
            print(f"    {row.where}", flush=True)
    print("all within what is allowed" if not wrong else f"{wrong} stages differ too much")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
