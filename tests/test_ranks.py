"""Two processes that learn together are one that learns from both their batches.

Outside reference: torch.distributed over gloo in two processes that torchrun starts; the expected
gradient is the mean of two, taken here by hand.
"""

import subprocess
import sys

import pytest
import torch

from tests.ranks_at_work import halves, trainer
from training.ranks import Ranks, join


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ranks")
    command = [sys.executable, "-m", "torch.distributed.run", "--standalone"]
    command += ["--nproc-per-node", "2", "-m", "tests.ranks_at_work", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return [torch.load(folder / f"{rank}.pt") for rank in range(2)]


def test_all_hold_the_same_weights(told):
    for mine, theirs in zip(told[0]["weights"], told[1]["weights"], strict=True):
        assert torch.equal(mine, theirs)


def test_the_step_is_that_of_the_mean_gradient(told):
    alone, other = trainer(), trainer()
    start = [p.detach().clone() for p in alone.network.parameters()]
    gradients = []
    for each, half in zip((alone, other), halves(), strict=True):
        each.config = each.config.changed(clip_norm=1e9)
        each.step(half, 0.0)
        gradients.append([p.grad.clone() for p in each.network.parameters()])
    mean = [(a + b) / 2 for a, b in zip(*gradients, strict=True)]
    norm = torch.sqrt(sum((g**2).sum() for g in mean))
    for before, after, gradient in zip(start, told[0]["weights"], mean, strict=True):
        clipped = gradient * min(1.0, float(1.0 / (norm + 1e-6)))
        # AdamW's first step: the sign of the gradient where it is well above epsilon, 1e-8.
        sure = clipped.abs() > 1e-5
        moved = (after - before)[sure]
        assert torch.equal(moved.sign(), -clipped[sure].sign())


def test_numbers_and_things_are_shared(told):
    assert [t["agreed"] for t in told] == [10.0, 10.0]
    assert [t["mean"] for t in told] == [0.5, 0.5]
    assert [t["least"] for t in told] == [5.0, 5.0]
    assert told[0]["gathered"] == [{"rank": 0}, {"rank": 1}]
    assert told[1]["gathered"] == []


def test_running_means_become_one(told):
    differs = False
    for a, b, shared in zip(
        told[0]["own_means"], told[1]["own_means"], told[1]["shared_means"], strict=True
    ):
        if a.is_floating_point():
            differs |= not torch.equal(a, b)
            assert torch.allclose(shared, (a + b) / 2, atol=1e-6)
    assert differs


def test_without_torchrun_there_is_one(monkeypatch):
    monkeypatch.delenv("WORLD_SIZE", raising=False)
    assert join() == Ranks(0, 1)
    assert Ranks().gather(7) == [7]
    assert Ranks().mean(3.0) == 3.0
