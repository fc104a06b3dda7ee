"""Where the time of star cut-outs goes: star shapes, tiles, read-out, reading, learning.

    PYTHONPATH=. python3 tests/benchmarks/star_sheet_speed.py [--device cuda] [--frames 1024]
        [--times 8] [--mpx 268] [--fused] [--profile]

Planning is CPU work of the worker processes and reported apart. Every stage is timed on its own,
then all of it as pre-training does it: a plan put on the device once, its frames rendered `times`
times with their stars at other places, `mpx` megapixels of tiles at a time. The rate counts all 64
places of a frame's sheet. Medians over several batches after a warm-up. --profile adds what the
device spent most time on, rendering tiles and reading them. --fused has torch's compiler put steps
together, which takes a minute or two at first.
"""

import argparse
import statistics
from collections.abc import Callable
from typing import Any

import torch
from stopwatch import profiled, timed

from synth.rng import torch_stream
from synth.sheet_plan import SheetPlan, plan_sheets
from synth.star_scenes import draw_star_scenes
from synth.star_sheets import SheetRenderer
from synth.strength import settle
from training.sheets import Sheets, render_sheets
from training.tile_reader import read_tiles

STARS = 64
LEARNT_AT_ONCE = 256  # frames


def one_batch(
    index: int, args: argparse.Namespace, note: Callable[[str, float, int], None]
) -> None:
    device, count, times = args.device, args.frames, args.times

    def draw() -> SheetPlan:
        return plan_sheets(draw_star_scenes(1, index, count, args.width, args.height))

    seconds, plan = timed("cpu", draw)
    note("draw and plan scenes (CPU, one core)", seconds, count)
    most_px = int(1e6 * args.mpx)
    seconds, renderer = timed(device, lambda: SheetRenderer(plan, device, most_px, args.fused))
    note("star shapes", seconds, count)
    note("strengths", timed(device, lambda: settle(plan.truth, device))[0], count)
    generator = torch_stream(device, 1, index)
    seconds, batches = timed(device, lambda: renderer.tiles(generator, anew=True))
    note("tiles and read-out", seconds, count)
    seconds, _ = timed(device, lambda: read_tiles(batches, 1.0, args.fused))
    batches.clear()  # memory for what follows
    note("finding, cutting, stacking", seconds, count)

    def everything() -> tuple[Sheets, torch.Tensor]:
        held = torch.zeros((), device=device)
        options = {"times": times, "most_px": most_px, "fused": args.fused}
        for sheets in render_sheets(plan, 1, index, device, **options):
            held += sheets.facts[..., 4].sum()
        return sheets, held

    seconds, (sheets, held) = timed(device, everything)
    note(f"all of it, {times} times a plan", seconds, count * times)
    note("(stars held by a sheet)", float(held) / (count * times) / 1000 * count, count)
    if args.learner is not None:
        some = sheets.rows(torch.arange(min(count, LEARNT_AT_ONCE), device=device))
        seconds, _ = timed(device, lambda: args.learner.step(some, 1e-3))
        note("one step of learning", seconds, len(some))


def learner(device: str) -> Any:
    """What learns from the cut-outs; None on a machine without torchvision."""
    try:
        from classifier.network import Network
    except ModuleNotFoundError as error:
        print(f"(learning is left out: {error})")
        return None
    from training.config import TrainConfig
    from training.pretrain import StarLearner

    return StarLearner(Network(), TrainConfig(steps=1, device=device), torch.device(device))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--frames", type=int, help="1024 on a GPU, 64 on a CPU")
    parser.add_argument("--times", type=int, default=8)
    parser.add_argument("--mpx", type=float, default=268, help="of tiles rendered at a time")
    parser.add_argument("--height", type=int, default=1024)
    parser.add_argument("--width", type=int, default=1536)
    parser.add_argument("--batches", type=int, default=4)
    parser.add_argument("--fused", action="store_true", help="with torch's compiler")
    parser.add_argument("--profile", action="store_true")
    args = parser.parse_args()
    args.frames = args.frames or (1024 if args.device == "cuda" else 64)
    torch.backends.cudnn.benchmark = True
    args.learner = learner(args.device)
    rows: dict[str, list[float]] = {}
    for index in range(args.batches + 1):
        warm_up = index == 0

        def note(name: str, seconds: float, frames: int, skip: bool = warm_up) -> None:
            if not skip:
                rows.setdefault(name, []).append(1000 * seconds / frames)

        one_batch(index, args, note)
    print(f"{args.device}: {args.frames} frames of {args.height} x {args.width} at a time")
    print(f"{'stage':40s} {'ms a frame':>12s} {'cut-outs a second':>18s}")
    held = statistics.median(rows.pop("(stars held by a sheet)"))
    for name, values in rows.items():
        ms = statistics.median(values)
        print(f"{name:40s} {ms:12.4f} {1000 / ms * STARS:18,.0f}")
    print(f"{held:.1f} of the {STARS} places of a sheet hold a star")
    if args.device == "cuda":
        print(f"most memory used: {torch.cuda.max_memory_allocated() / 2**30:.1f} GiB")
    if args.profile:
        plan = plan_sheets(draw_star_scenes(1, 0, args.frames, args.width, args.height))
        options = args.device, int(1e6 * args.mpx), args.fused
        renderer = SheetRenderer(plan, *options)
        generator = torch_stream(args.device, 1, 0)
        batches = renderer.tiles(generator, anew=True)
        sizes = ", ".join(f"{len(tiles)} of {tiles.side_px} px" for tiles in batches)
        print(f"\nframes by size of their tiles: {sizes}")
        print("shapes:\n" + profiled(args.device, lambda: SheetRenderer(plan, *options)))
        print("strengths:\n" + profiled(args.device, lambda: settle(plan.truth, args.device)))
        print("tiles:\n" + profiled(args.device, lambda: renderer.tiles(generator, anew=True)))
        print("reading:\n" + profiled(args.device, lambda: read_tiles(batches, 1.0, args.fused)))


if __name__ == "__main__":
    main()
