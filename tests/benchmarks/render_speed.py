"""Where the time of rendered training data goes: drawing, light, read-out, views, one step.

    python tests/benchmarks/render_speed.py [--device cuda] [--count 64] [--height 1024]

Prints milliseconds per frame, medians of several batches after a warm-up, and frames per second.
"""

import argparse
import statistics

import torch
from stopwatch import timed

from classifier.context import CONTEXT
from classifier.network import Network
from classifier.views import PHYSICAL, make_views
from synth.expose import expected_electrons
from synth.generate import draw_plan, render_plan
from synth.starlight import star_layer
from synth.strength import settle


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--count", type=int, default=64)
    parser.add_argument("--height", type=int, default=1024)
    parser.add_argument("--width", type=int, default=1536)
    parser.add_argument("--batches", type=int, default=4)
    args = parser.parse_args()
    network = Network().to(args.device).eval()
    rows: dict[str, list[float]] = {}

    def note(name: str, seconds: float) -> None:
        rows.setdefault(name, []).append(1000 * seconds / args.count)

    for index in range(args.batches + 1):
        seconds, plan = timed(
            args.device, lambda i=index: draw_plan(1, i, args.count, args.width, args.height)
        )
        note("draw and plan scenes (CPU)", seconds)
        note(
            "star layer",
            timed(
                args.device,
                lambda p=plan: star_layer(p.stars, args.height, args.width, args.device),
            )[0],
        )
        note("all light", timed(args.device, lambda p=plan: expected_electrons(p, args.device))[0])
        note("strengths", timed(args.device, lambda p=plan: settle(p.truth, args.device))[0])
        seconds, batch = timed(
            args.device, lambda p=plan, i=index: render_plan(p, 1, i, args.device)
        )
        note("light, read-out and strengths", seconds)
        physical = torch.stack([batch.physical[name] for name in PHYSICAL], 1)
        seconds, views = timed(args.device, lambda b=batch, p=physical: make_views(b.pixels, p))
        note("views", seconds)
        context = torch.full((args.count, len(CONTEXT)), float("nan"), device=args.device)
        with torch.inference_mode():
            note("network", timed(args.device, lambda v=views, c=context: network(v, c))[0])
    print(f"{args.count} frames of {args.height} x {args.width} px on {args.device}, ms per frame:")
    for name, values in rows.items():
        print(f"  {name:32s} {statistics.median(values[1:]):8.2f}")
    total = sum(
        statistics.median(rows[n][1:])
        for n in ("draw and plan scenes (CPU)", "light, read-out and strengths", "views")
    )
    print(f"  {1000 / total:.0f} frames/s rendered to views")


if __name__ == "__main__":
    main()
