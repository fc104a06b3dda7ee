"""How much one pixel can change what the network says: a hot or dead one put anywhere in a frame.

    .venv/bin/python tests/benchmarks/one_pixel.py --frames 24 --places 24

Networks for pictures have been turned by a single pixel (Su, Vargas & Sakurai 2019, IEEE
Transactions on Evolutionary Computation 23, 828). Cameras have many such, and one more is no
fault. Of each rendered frame, clean or faulty, copies are made with one pixel at the top of the
scale or at zero: a third of the places anywhere, a third on or beside the brightest stars, a third
about the worst place so far, which is a search for the worst. Told are the largest change of any
confidence over all copies of a frame, and how many frames have a copy that gains or loses a label,
judged alone. No GPU is needed.
"""

import argparse
import statistics
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from classifier.context import CONTEXT
from classifier.views import PHYSICAL, make_views
from classifier.vocabulary import KEYS
from classifier.weights import Model, load_model
from synth.generate import draw_plan, render_plan
from synth.rng import stream

HEIGHT, WIDTH = 512, 640
AT_ONCE = 8
BRIGHT = 12  # of a frame's brightest pixels, each some way from the others


@dataclass(frozen=True)
class Turned:
    """One frame: the largest change of a confidence, of which fault, and labels gained or lost."""

    change: float
    fault: str
    labels: tuple[str, ...]


def confidences(model: Model, pixels: Tensor, physical: Tensor) -> np.ndarray:
    """(B, H, W) ADU and (B, len(PHYSICAL)) -> (B, 16), each frame judged alone."""
    with torch.inference_mode():
        views = make_views(pixels, physical, lines=model.network.config.lines)
        features = model.network.encode(views)
        alone = torch.full((len(pixels), len(CONTEXT)), torch.nan)
        return model.confidences(model.network.judge(features, alone)).numpy()


def brightest(pixels: Tensor) -> list[tuple[int, int]]:
    """Rows and columns of the brightest pixels of a frame (H, W), one of a 32 px square at most."""
    pooled, index = torch.nn.functional.max_pool2d(pixels[None, None], 32, return_indices=True)
    best = pooled.flatten().topk(BRIGHT).indices
    return [divmod(int(at), pixels.shape[1]) for at in index.flatten()[best]]


def within(pixels: Tensor, y: int, x: int) -> tuple[int, int]:
    """The place of the frame (H, W) that is nearest to row y and column x."""
    height, width = pixels.shape
    return int(np.clip(y, 0, height - 1)), int(np.clip(x, 0, width - 1))


def places_of(pixels: Tensor, count: int, rng: np.random.Generator) -> Iterator[tuple[int, int]]:
    """Anywhere, and on or within 6 px of the brightest stars, by turns."""
    height, width = pixels.shape
    stars = brightest(pixels)
    for k in range(count):
        if k % 2:
            y, x = stars[int(rng.integers(len(stars)))]
            yield within(pixels, y + int(rng.integers(-6, 7)), x + int(rng.integers(-6, 7)))
        else:
            yield int(rng.integers(height)), int(rng.integers(width))


def turned(
    model: Model, pixels: Tensor, physical: Tensor, count: int, rng: np.random.Generator
) -> Turned:
    """The worst that `count` single pixels do to one frame, (H, W) ADU."""
    before = confidences(model, pixels[None], physical[None])[0]
    thresholds = np.array([model.thresholds[key] for key in KEYS])
    top = float(physical[PHYSICAL.index("saturation_adu")])
    top = top if np.isfinite(top) else float(pixels.max())
    worst, fault, labels, at = 0.0, "", set[str](), (0, 0)
    searched = list(places_of(pixels, 2 * count // 3, rng))
    for start in range(0, count, AT_ONCE):
        places = searched[start : start + AT_ONCE]
        if not places:  # about the worst so far
            near = rng.integers(-2, 3, (min(AT_ONCE, count - start), 2))
            places = [within(pixels, at[0] + dy, at[1] + dx) for dy, dx in near]
        copies = pixels.repeat(len(places), 1, 1)
        for number, (y, x) in enumerate(places):
            copies[number, y, x] = top if number % 4 else 0.0
        after = confidences(model, copies, physical.repeat(len(places), 1))
        change = np.abs(after - before)
        if change.max() > worst:
            row, column = np.unravel_index(int(change.argmax()), change.shape)
            worst, fault, at = float(change.max()), KEYS[int(column)], places[int(row)]
        flipped = ((after >= thresholds) != (before >= thresholds)).any(0)
        labels |= {KEYS[column] for column in np.flatnonzero(flipped)}
    return Turned(worst, fault, tuple(sorted(labels)))


def frames(seed: int, count: int) -> Iterator[tuple[Tensor, Tensor]]:
    """Rendered frames, eight of a run, with their physical facts."""
    for index in range(-(-count // 8)):
        batch = render_plan(draw_plan(seed, index, 8, WIDTH, HEIGHT), seed, index)
        physical = torch.stack([batch.physical[name] for name in PHYSICAL], 1)
        yield from zip(batch.pixels, physical, strict=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--model", help="name or folder")
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--places", type=int, default=24, help="of each frame")
    parser.add_argument("--seed", type=int, default=71)
    args = parser.parse_args()
    torch.set_num_threads(1)
    model, rng = load_model(args.model), stream(args.seed, "one pixel")
    found = []
    for number, (pixels, physical) in enumerate(frames(args.seed, args.frames)):
        if number == args.frames:
            break
        found.append(turned(model, pixels, physical, args.places, rng))
        one = found[-1]
        print(f"{number:3d}  {one.change:.4f} {one.fault:20s} {', '.join(one.labels)}", flush=True)
    changes = [one.change for one in found]
    lost = sum(bool(one.labels) for one in found)
    print(
        f"{model.name}: largest change of a confidence, median of {len(found)} frames "
        f"{statistics.median(changes):.4f}, worst {max(changes):.3f}; labels gained or lost in "
        f"{lost}"
    )


if __name__ == "__main__":
    main()
