"""What a network said of frames, beside what was true of them: what all figures are made from."""

from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from training.data import Sample, targets_of
from training.loop import encode_all, judge_both

Array = NDArray[np.float64]


class Answers:
    """What a network said of N frames, and what was true of them; NumPy arrays on the CPU.

    features (N, D); beside and alone (N, 16) logits with and without the run; strength (N, 16);
    targets (N, 16), NaN unknown; run (N,).
    """

    def __init__(
        self, features: Array, beside: Array, alone: Array, strength: Array, run: NDArray[np.int64]
    ):
        self.features, self.beside, self.alone = features, beside, alone
        self.strength, self.run = strength, run
        self.targets: Array = targets_of(torch.from_numpy(strength)).double().numpy()

    @property
    def is_sky(self) -> NDArray[np.bool_]:
        """(N,) whether a frame is a star field: of other things no strength is known at all."""
        return np.asarray(~np.isnan(self.strength).all(1))

    @staticmethod
    def cat(parts: list["Answers"]) -> "Answers":
        names = ("features", "beside", "alone", "strength", "run")
        return Answers(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def answer(model: Any, sample: Sample) -> Answers:
    """Let a network (or a model's network) look at frames."""
    network = getattr(model, "network", model)
    features = encode_all(network, sample.views)
    beside, alone = judge_both(network, features, sample.context, sample.run)
    return Answers(
        features.cpu().numpy(),
        beside.numpy(),
        alone.numpy(),
        sample.strength.float().cpu().numpy(),
        sample.run.cpu().numpy(),
    )
