"""How much of a model's skill on its training frames is knowing them by heart.

    python tests/benchmarks/by_heart.py MODEL OTHER [--frames 800] [--mpx 0.8] [--device cpu]

Frames of batches that the training of MODEL rendered are rendered again (the same scenes, other
noise on another machine), and as many that it never saw. OTHER, which saw neither, tells which of
them are hard: what MODEL is better beside it on its own frames than on the others it knows by
heart. Where that is little beside what is left of the loss, the network has to learn better or
longer; where it is much, it wants more frames. Grafts are left out.
"""

import argparse
from collections.abc import Iterator

import numpy as np
import torch
import torch.nn.functional as F
from numpy.typing import NDArray

from classifier.weights import load_model
from synth.generate import RUN_FRAMES
from training.answers import answer
from training.config import TrainConfig
from training.data import EVALUATION, TRAINING, Sample, is_lone, render_sample, shape_of
from training.evaluate import settings_of

BATCH = 32
Array = NDArray[np.float64]


def samples(
    config: TrainConfig, set_name: str, batches: int, given: argparse.Namespace
) -> Iterator[tuple[bool, Sample]]:
    """Beginnings of batches of a set, of small frames; and whether each frame is a run."""
    some, frames = config.changed(render_batch=BATCH, workers=0), 0
    for index in map(int, np.random.default_rng(1).permutation(batches)):
        height, width = shape_of(config, set_name, index)
        if height * width > 1e6 * given.mpx:
            continue
        sample = render_sample(some, set_name, index, torch.device(given.device))
        yield is_lone(config, set_name, index), sample
        frames += len(sample)
        if frames >= given.frames:
            return


def losses(logits: Array, targets: Array) -> Array:
    """(N, 16) logits and targets -> mean binary cross-entropy of each frame of which something is
    known, nats."""
    told, wanted = torch.from_numpy(logits).double(), torch.from_numpy(targets)
    known = ~wanted.isnan()
    each = F.binary_cross_entropy_with_logits(told, wanted.nan_to_num(0.0), reduction="none")
    some = known.any(1)
    return np.asarray(((each * known).sum(1)[some] / known.sum(1)[some]).numpy())


def told(values: Array) -> str:
    """Mean, and its standard error over runs."""
    runs = values[: len(values) // RUN_FRAMES * RUN_FRAMES].reshape(-1, RUN_FRAMES).mean(1)
    return f"{values.mean():+.4f} (error {runs.std(ddof=1) / len(runs) ** 0.5:.4f})"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("model", help="name or folder of a model that was trained from nothing")
    parser.add_argument("other", help="a model that was trained on other frames")
    parser.add_argument("--frames", type=int, default=800, help="of each set")
    parser.add_argument("--mpx", type=float, default=0.8, help="largest frames to render")
    parser.add_argument("--device", default="cpu")
    given = parser.parse_args()
    torch.set_num_threads(1)
    models = [load_model(name) for name in (given.model, given.other)]
    for each in models:
        each.network.to(given.device)
    config = settings_of(models[0])
    rendered = int(models[0].config["training"]["rendered_frames"])
    # A batch has `render_batch` frames at most: so many batches were surely learnt from.
    for set_name, batches in (
        (TRAINING, rendered // config.render_batch),
        (EVALUATION, 10_000),
    ):
        alone: list[list[Array]] = [[], []]
        beside: list[list[Array]] = [[], []]
        for lone, sample in samples(config, set_name, batches, given):
            for number, each in enumerate(models):
                answers = answer(each, sample)
                alone[number].append(losses(answers.alone, answers.targets))
                if not lone:
                    beside[number].append(losses(answers.beside, answers.targets))
        for name, (mine, others) in (("by themselves", alone), ("beside their run", beside)):
            if mine:
                own, other = np.concatenate(mine), np.concatenate(others)
                print(
                    f"{set_name:10s} {name:16s} {len(own):5d} frames, loss {own.mean():.4f}, "
                    f"over the other model's {told(own - other)}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
