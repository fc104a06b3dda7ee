"""One of two processes that learn together; run by tests/test_ranks.py through torchrun.

Takes a step on its own half of a batch and writes what it then holds to FOLDER/RANK.pt.
"""

import sys
from pathlib import Path

import torch

from classifier.network import Network
from tests.benchmarks.step_speed import random_sample
from training.config import TrainConfig
from training.loop import Trainer
from training.ranks import join, leave


def halves() -> list:
    torch.manual_seed(3)
    return [random_sample(4, 6, "cpu") for _ in range(2)]


def trainer(ranks=None) -> Trainer:
    torch.manual_seed(ranks.rank if ranks else 0)
    network = Network()
    # Dropout would differ from process to process.
    network.fuse[1].p = 0.0
    return Trainer(network, TrainConfig(steps=1, batch=4), torch.device("cpu"), ranks)


def main() -> None:
    ranks = join()
    own = trainer(ranks)
    own.step(halves()[ranks.rank], 1e-3)
    before = [buffer.clone() for buffer in own.average.buffers()]
    own.settle_average()
    told = {
        "weights": [p.detach() for p in own.network.parameters()],
        "agreed": ranks.agree(10.0 + ranks.rank),
        "mean": ranks.mean(float(ranks.rank)),
        "least": ranks.least(5.0 + ranks.rank),
        "gathered": ranks.gather({"rank": ranks.rank}),
        "own_means": before,
        "shared_means": list(own.average.buffers()),
    }
    torch.save(told, Path(sys.argv[1]) / f"{ranks.rank}.pt")
    leave(ranks)


if __name__ == "__main__":
    main()
