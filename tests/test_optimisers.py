"""Orthogonal steps: all directions of a step are equally long, and the weights proper are moved.

Outside reference: torch.linalg's singular values; the step of Newton and Schulz that Muon takes
brings them to 0.7 to 1.2 (Jordan et al. 2024, from memory).
"""

import pytest
import torch
from torch import nn

from classifier.network import Network, NetworkConfig
from training.config import TrainConfig
from training.loop import ENDS
from training.optimisers import Optimisers, matrices_of

RATE = 1e-2


@pytest.mark.parametrize("layout", [torch.contiguous_format, torch.channels_last])
def test_a_step_has_one_length_in_all_directions(layout):
    torch.manual_seed(1)
    net = nn.Sequential(nn.Conv2d(3, 8, 3), nn.Conv2d(8, 16, 3), nn.Flatten(), nn.Linear(256, 4))
    net = net.to(memory_format=layout)
    pictures, kinds = torch.randn(16, 3, 8, 8), torch.randint(0, 4, (16,))
    config = TrainConfig(steps=1, orthogonal=True, weight_decay=0.0)
    learning = list(net.parameters())
    optimisers = Optimisers(learning, [net[1].weight], config, fused=False)
    before = [p.detach().clone() for p in learning]
    losses = []
    for _ in range(30):
        net.zero_grad()
        loss = nn.functional.cross_entropy(net(pictures), kinds)
        loss.backward()
        optimisers.step(RATE)
        losses.append(float(loss))
        if len(losses) == 1:
            step = (net[1].weight - before[2]).detach().flatten(1)
    assert losses[-1] < 0.5 * losses[0]
    # Scaled so that the mean square of a step is that of AdamW, 0.2 of the rate (Liu et al. 2025).
    lengths = torch.linalg.svdvals(step) / (0.2 * RATE * max(step.shape) ** 0.5)
    assert lengths.min() > 0.6 and lengths.max() < 1.3
    assert all((p != was).any() for p, was in zip(learning, before, strict=True))


def test_without_it_every_step_is_adamw_s():
    torch.manual_seed(2)
    ours, theirs = nn.Linear(6, 5), nn.Linear(6, 5)
    theirs.load_state_dict(ours.state_dict())
    config = TrainConfig(steps=1, weight_decay=0.1)
    optimisers = Optimisers(list(ours.parameters()), [ours.weight], config, fused=False)
    groups = [
        {"params": [theirs.weight], "weight_decay": 0.1},
        {"params": [theirs.bias], "weight_decay": 0.0},
    ]
    reference = torch.optim.AdamW(groups, lr=RATE, betas=(0.9, 0.98))
    for _ in range(5):
        x = torch.randn(3, 6)
        for net in (ours, theirs):
            net.zero_grad()
            net(x).square().sum().backward()
        optimisers.step(RATE)
        reference.step()
    torch.testing.assert_close(ours.weight, theirs.weight)
    torch.testing.assert_close(ours.bias, theirs.bias)


def test_ends_of_the_network_are_no_such_matrices():
    network = Network(NetworkConfig(width=8, features=32, star_features=16, lines=2))
    names = {id(p): name for name, p in network.named_parameters()}
    chosen = {names[id(p)] for p in matrices_of(network, ENDS)}
    for part in ENDS:
        assert any(name.startswith(part) for name in names.values())
        assert not any(name.startswith(part) for name in chosen)
    assert {"head.1.weight", "fuse.2.weight", "sky.blocks.0.conv1.weight"} <= chosen
