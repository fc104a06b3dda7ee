"""Where the time of rendered frames goes, stage by stage, against the floor of memory traffic.

    PYTHONPATH=. python3 tests/benchmarks/render_speed.py [--device cuda] [--frames 8] [--profile]

Frames of 26 Mpx by default, `--frames` of them at a time; medians over several batches after a
warm-up. The floor of a stage is what it has to read and write at the least, over the speed at which
the device copies memory, measured first. --profile adds what the device spent most time on. Needs
torch, numpy and scipy only.
"""

import argparse
import statistics
from collections.abc import Callable
from typing import Any

import torch
from stopwatch import profiled, timed

from classifier import views as views_of
from classifier.line_view import LOOKS, look_along
from classifier.sheet import cut_sheet
from classifier.surface import read_surface
from classifier.views import PHYSICAL, make_views
from synth.expose import expected_electrons
from synth.generate import _readout, draw_plan, render_plan
from synth.plan import Plan
from synth.processing import process
from synth.rng import torch_stream
from synth.sensor import read_out
from synth.starlight import (
    BRIGHT_OVER,
    BRIGHT_PX,
    OVER,
    SMALL_PX,
    STAMP_PX,
    ZONES,
    bright_stamps,
    field_stamps,
    star_layer,
)
from synth.strength import settle

FLOAT = 4  # bytes


def copy_speed(device: str) -> float:
    """Bytes per second, read and written, of a plain copy of 256 MiB."""
    source = torch.rand(1 << 26, device=device)
    target = torch.empty_like(source)
    timed(device, lambda: target.copy_(source))
    best = min(timed(device, lambda: target.copy_(source))[0] for _ in range(5))
    return 2 * source.numel() * FLOAT / best


def floors(plan: Plan, height: int, width: int) -> dict[str, float]:
    """Bytes that each stage must move for one frame."""
    frames, pixels = len(plan.scenes), height * width
    fine = (
        len(ZONES) * (STAMP_PX * OVER) ** 2
        + len(plan.stars.bright) / frames * (BRIGHT_PX * BRIGHT_OVER) ** 2
    )
    splat = sum(
        len(group.start) * side**2
        for group, side in zip(plan.stars.groups, (BRIGHT_PX, STAMP_PX, SMALL_PX), strict=True)
    )
    half = pixels / 4
    pooled = 3 * 532**2
    return {
        # Light, its spectrum there and back, the stamps.
        "optics: star shapes": 6 * fine * FLOAT,
        # Every pixel of a stamp read and added to the canvas, which is filled with zeros first.
        "splat: stars laid down": (3 * splat / frames + pixels) * FLOAT,
        # The star layer read, the light written.
        "sky, shades, trails, defects": 2 * pixels * FLOAT,
        "sensor": 2 * pixels * FLOAT,
        "what was done to the file": 0.0,
        "strengths": 6 * 3 * (STAMP_PX * OVER) ** 2 * FLOAT,
        # The frame read, the half-size picture written, its pooled ones too.
        "view surface": (pixels + half + pooled) * FLOAT,
        # The half-size picture read, its pyramid written and read.
        "view sheet": (half + 2 * half / 3) * FLOAT + 64 * 32**2 * FLOAT,
        "view sky and lines": 2 * pooled * FLOAT,
        "view bright stars": 2 * 4 * 96**2 * FLOAT,
        "view tiles": 2 * 6 * 64**2 * FLOAT,
    }


def optics(plan: Plan, device: str) -> tuple[Any, ...]:
    """Star shapes of a batch, as `star_layer` lays them down."""
    stamps = field_stamps(plan.stars, device)
    return (stamps, bright_stamps(plan.stars, device)) if len(plan.stars.bright) else (stamps,)


class Clock:
    """Times of the stages of batches; the first batch warms up."""

    def __init__(self, args: argparse.Namespace):
        self.args, self.warm = args, False
        self.notes: dict[str, list[float]] = {}

    def __call__(self, name: str, work: Callable[[], Any], device: str | None = None) -> Any:
        seconds, out = timed(device or self.args.device, work)
        self.add(name, 1000 * seconds / self.args.frames)
        return out

    def add(self, name: str, ms: float) -> None:
        if self.warm:
            self.notes.setdefault(name, []).append(ms)

    def last(self, name: str) -> float:
        return self.notes[name][-1] if self.warm else 0.0


def one_batch(index: int, clock: Clock) -> Plan:
    args, device = clock.args, clock.args.device
    size = args.height, args.width
    plan = clock(
        "draw and plan (CPU)", lambda: draw_plan(1, index, args.frames, *size[::-1]), "cpu"
    )
    clock("optics: star shapes", lambda: optics(plan, device))
    clock("star layer", lambda: star_layer(plan.stars, *size, device))
    light = clock("all light", lambda: expected_electrons(plan, device))
    clock.add(
        "splat: stars laid down", clock.last("star layer") - clock.last("optics: star shapes")
    )
    clock.add("sky, shades, trails, defects", clock.last("all light") - clock.last("star layer"))
    generator = torch_stream(device, 1, index)
    clock("sensor", lambda: read_out(light, _readout(plan.scenes, device), generator))
    clock("strengths", lambda: settle(plan.truth, device))
    batch = clock("light to file, all of it", lambda: render_plan(plan, 1, index, device))
    physical = torch.stack([batch.physical[name] for name in PHYSICAL], 1)
    clock("what was done to the file", lambda: process(batch.pixels, plan.scenes, batch.physical))
    known = dict(zip(PHYSICAL, physical.unbind(1), strict=True))
    cfa = known["is_cfa"] > 0.5
    surface = clock("view surface", lambda: read_surface(batch.pixels, cfa, known["offset_adu"]))
    sheet = clock(
        "view sheet", lambda: cut_sheet(batch.pixels, surface, cfa, known["saturation_adu"])
    )
    clock("view sky", lambda: views_of._sky_view(surface))
    clock("view lines", lambda: look_along(surface, len(LOOKS) - 1, tuple(batch.pixels.shape[1:])))
    clock("view bright stars", lambda: views_of._bright_stars(surface, sheet))
    clock("view tiles", lambda: views_of._tile_view(batch.pixels, surface, sheet))
    clock("views, all of them", lambda: make_views(batch.pixels, physical, lines=len(LOOKS) - 1))
    return plan


def table(clock: Clock, floor: dict[str, float], speed: float) -> str:
    lines = [
        f"{'stage':32s} {'ms a frame':>10s} {'floor ms':>9s} {'times it':>9s} {'MB moved':>9s}"
    ]
    for name, times in clock.notes.items():
        ms = statistics.median(times)
        line = f"{name:32s} {ms:10.3f}"
        if floor.get(name):
            least = 1000 * floor[name] / speed
            line += f" {least:9.3f} {ms / least:9.1f} {floor[name] / 1e6:9.1f}"
        lines.append(line)
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--frames", type=int, help="frames at a time: 8 on a GPU, 1 on a CPU")
    parser.add_argument("--height", type=int, default=4176)
    parser.add_argument("--width", type=int, default=6248)
    parser.add_argument("--batches", type=int, help="timed: 4 on a GPU, 1 on a CPU")
    parser.add_argument("--profile", action="store_true", help="what the device spent time on")
    args = parser.parse_args()
    on_gpu = args.device == "cuda"
    args.frames = args.frames or (8 if on_gpu else 1)
    args.batches = args.batches or (4 if on_gpu else 1)
    speed = copy_speed(args.device)
    clock = Clock(args)
    for index in range(args.batches + 1):
        clock.warm = index > 0
        plan = one_batch(index, clock)
    card = torch.cuda.get_device_name() if args.device == "cuda" else "CPU"
    print(
        f"{card}, {torch.get_num_threads()} threads: {args.frames} frames of {args.height} x "
        f"{args.width} px at a time; copies {speed / 1e9:.0f} GB/s"
    )
    print(table(clock, floors(plan, args.height, args.width), speed))
    both = ("light to file, all of it", "views, all of them")
    ms = sum(statistics.median(clock.notes[name]) for name in both)
    print(f"{1000 / ms:.1f} frames/s from plan to views")
    if args.device == "cuda":
        print(f"most memory used: {torch.cuda.max_memory_allocated() / 2**30:.1f} GiB")
    if args.profile:
        batch = render_plan(plan, 1, 0, args.device)
        physical = torch.stack([batch.physical[name] for name in PHYSICAL], 1)
        print(
            "\nrendering:\n" + profiled(args.device, lambda: render_plan(plan, 1, 0, args.device))
        )
        print("\nviews:\n" + profiled(args.device, lambda: make_views(batch.pixels, physical)))


if __name__ == "__main__":
    main()
