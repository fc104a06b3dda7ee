"""What each view, the physical facts and the run are worth to a network: figures without them.

Every branch is encoded once per batch; what the branches say is then fused and judged again and
again, with zeros in the place of one of them, or of all but one, as `Network.encode(views,
without=...)` does. This runs at the end of a training, on the frames that the model is evaluated
on: 6,000 frames must not take more than a few seconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from classifier.network import BRANCHES, Network
from classifier.vocabulary import KEYS
from training.calibrate import is_clear, is_told_apart
from training.data import Sample, targets_of
from training.draws import Draws, average_precision, mean_of
from training.loop import with_company

Array = NDArray[np.float64]

BATCH = 128
DRAWS = 100
ALL, WITHOUT_RUN = "all", "without_run"


@dataclass(frozen=True)
class Variant:
    """A way to judge a frame: the branches replaced by zeros, and whether its run is told; of that
    the numbers alone, or the features of its middle too."""

    without: tuple[str, ...] = ()
    beside: bool = True
    company: bool = True


def variants_of(branches: Sequence[str]) -> dict[str, Variant]:
    """The ways to judge a frame by a network with these branches."""
    return {
        ALL: Variant(),
        WITHOUT_RUN: Variant(beside=False),
        "without_company": Variant(company=False),
        **{f"without_{name}": Variant((name,)) for name in branches},
        # One branch and nothing else: no run either.
        **{
            f"only_{name}": Variant(tuple(n for n in branches if n != name), beside=False)
            for name in branches
        },
    }


@dataclass(frozen=True)
class Ablated:
    """What a network said of N frames in V ways, and what was true of them.

    logits (N, V, 16) float32 in the order of `variants_of` the network's branches;
    strength (N, 16), NaN unknown; run (N,).
    """

    logits: NDArray[np.float32]
    strength: NDArray[np.float32]
    run: NDArray[np.int64]

    @staticmethod
    def cat(parts: Sequence["Ablated"]) -> "Ablated":
        names = ("logits", "strength", "run")
        return Ablated(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


@torch.inference_mode()
def ablated(network: Network, sample: Sample) -> Ablated:
    """Let a network in eval mode judge the frames of a sample in every way of `variants_of`."""
    device = next(network.parameters()).device
    parts = []
    for start in range(0, len(sample), BATCH):
        parts.append(network.told(sample.views[start : start + BATCH].to(device).float()))
    told = [torch.cat(branch) for branch in zip(*parts, strict=True)]
    numbers, logits = sample.context.to(device), []
    for variant in variants_of(network.branches).values():
        features = network.join(told, variant.without)
        context = numbers if variant.beside else torch.full_like(numbers, torch.nan)
        if variant.beside and variant.company:
            context = with_company(numbers, features, sample.run)
        logits.append(network.judge(features, context).float().cpu())
    return Ablated(
        torch.stack(logits, 1).numpy(),
        sample.strength.float().cpu().numpy(),
        sample.run.cpu().numpy(),
    )


def ablation_figures(
    answers: Ablated, seed: int, branches: Sequence[str] = BRANCHES
) -> dict[str, Any]:
    """Average precision per fault and its mean over the faults, for every way to judge by these
    branches.

    Frames are scored as in the overview: clear cases, told apart where two faults are the same
    light. `change`: the mean less that with everything, its 95 % interval over resampled runs,
    the same ones for both.
    """
    draws = Draws(answers.run, np.random.default_rng(seed), DRAWS)
    strength = answers.strength.astype(float)
    targets = targets_of(torch.from_numpy(answers.strength)).double().numpy()
    values: dict[str, list[Array]] = {name: [] for name in variants_of(branches)}
    for column in range(len(KEYS)):
        rows = is_clear(targets[:, column]) & is_told_apart(strength, column)
        truth, counts = targets[rows, column] > 0.5, draws.of(rows)
        for number, name in enumerate(values):
            logits = answers.logits[rows, number, column].astype(float)
            values[name].append(average_precision(counts, truth, logits))
    macro = {name: mean_of(found) for name, found in values.items()}
    return {
        "frames": len(answers.run),
        "runs": draws.groups,
        "variants": {
            name: {
                "macro_average_precision": float(macro[name][0]),
                "change": draws.estimate(macro[name] - macro[ALL]),
                "faults": {
                    key: float(found[0]) for key, found in zip(KEYS, values[name], strict=True)
                },
            }
            for name in values
        },
    }
