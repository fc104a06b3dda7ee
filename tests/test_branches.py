"""Branches of the network can be left out: on purpose, and by chance in training."""

import pytest
import torch
from small_model import random_views

from classifier.network import BRANCHES, Network, NetworkConfig

SMALL = NetworkConfig(width=8, features=32, star_features=16, dropout=0.0)


def test_a_branch_left_out_tells_nothing() -> None:
    torch.manual_seed(1)
    network, views = Network(SMALL).eval(), random_views(3)
    with torch.inference_mode():
        told = network.told(views)
        assert len(told) == len(BRANCHES)
        for number, name in enumerate(BRANCHES):
            others = [torch.zeros_like(t) if k == number else t for k, t in enumerate(told)]
            expected = network.fuse(torch.cat(others, 1))
            assert torch.equal(network.encode(views, without=(name,)), expected)
            assert not torch.equal(network.encode(views), expected)


def test_a_name_that_is_no_branch_is_an_error() -> None:
    with pytest.raises(ValueError, match="'moon'"):
        Network(SMALL).eval().encode(random_views(1), without=("moon",))


def test_training_leaves_out_the_wanted_share_of_each_branch() -> None:
    config = NetworkConfig(**SMALL.as_dict() | {"branch_dropout": 0.3})
    network = Network(config).train()
    torch.manual_seed(2)
    told = [torch.ones(4000, 2) for _ in BRANCHES]
    shares = [1 - part.mean().item() for part in network._kept(told, ())]
    # Five standard errors of a share of 0.3 among 4,000: 5 sqrt(0.3 x 0.7 / 4000) = 0.036.
    assert all(abs(share - 0.3) < 0.036 for share in shares)
    assert all(
        torch.equal(kept, part)
        for kept, part in zip(network.eval()._kept(told, ()), told, strict=True)
    )
