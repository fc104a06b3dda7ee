"""How a frame stands in its run: against NumPy, and what the network makes of small differences."""

import numpy as np
import pytest
import torch
from small_model import random_views

from classifier.context import (
    CONTEXT,
    FROM_MIDDLE,
    FROM_NEXT,
    SMALLEST_RUN,
    beside_run,
    run_context,
)
from classifier.network import Network, NetworkConfig
from classifier.sheet import SHAPE_FACTS
from training.checkpoint import load_checkpoint
from training.loop import masked_loss


def a_run(frames: int) -> torch.Tensor:
    return torch.randn(frames, len(SHAPE_FACTS), generator=torch.Generator().manual_seed(frames))


def column(context: torch.Tensor, name: str) -> np.ndarray:
    return context[:, CONTEXT.index(name)].numpy()


@pytest.mark.parametrize("name", FROM_MIDDLE)
def test_from_the_middle_and_how_far_the_others_lie(name):
    shapes = a_run(9)
    told = shapes[:, SHAPE_FACTS.index(name)].numpy()
    away = told - np.median(told)
    context = run_context(shapes)
    assert column(context, f"{name}_from_middle") == pytest.approx(away, abs=1e-6)
    assert column(context, f"{name}_scatter") == pytest.approx(np.median(np.abs(away)), abs=1e-6)


@pytest.mark.parametrize("name", FROM_NEXT)
def test_from_the_subs_next_to_it(name):
    shapes = a_run(7)
    told = shapes[:, SHAPE_FACTS.index(name)].numpy()
    found = column(run_context(shapes), f"{name}_from_next")
    for i in range(7):
        near = [told[j] for j in range(max(0, i - 2), min(7, i + 3)) if j != i]
        assert found[i] == pytest.approx(told[i] - np.median(near), abs=1e-6)


def test_three_subs_are_a_run_and_two_are_none():
    assert run_context(a_run(SMALLEST_RUN)).isfinite().all()
    assert run_context(a_run(SMALLEST_RUN - 1)).isnan().all()


def test_a_night_that_darkens_is_told_from_a_cloud():
    """A steady fall leaves little against the neighbours, one dim sub much."""
    shapes = torch.zeros(20, len(SHAPE_FACTS))
    light = SHAPE_FACTS.index("log_star_flux")
    shapes[:, light] = torch.linspace(0.3, 0.0, 20)
    falling = column(run_context(shapes), "log_star_flux_from_next")
    assert np.abs(falling).max() < 0.03
    shapes[8, light] -= 0.3
    assert column(run_context(shapes), "log_star_flux_from_next").argmin() == 8


def test_subs_are_compared_in_the_order_of_their_exposure():
    shapes, features = a_run(8), torch.randn(8, 4)
    order = [3, 0, 7, 1, 2, 6, 5, 4]
    mixed = beside_run(shapes, features, order)
    in_turn = beside_run(shapes[order], features[order], range(8))
    torch.testing.assert_close(mixed[order], in_turn)
    assert beside_run(shapes[:2], features[:2], [1, 0]).isnan().all()


def a_network(scales: bool) -> Network:
    torch.manual_seed(1)
    return Network(NetworkConfig(width=8, features=32, star_features=16, scales=scales))


def test_small_differences_are_learnt_on_several_scales():
    """Frames that differ by 0.02 from their run in one number, and by 100 times as much in others:
    in so many steps only a network that hears them on several scales tells them apart."""
    generator = torch.Generator().manual_seed(5)
    loss = {}
    for scales in (False, True):
        network = a_network(scales)
        features = torch.zeros(512, 32)
        context = 2 * torch.randn(512, len(CONTEXT), generator=generator)
        sign = torch.randint(0, 2, (512,), generator=generator) * 2.0 - 1
        context[:, CONTEXT.index("log_star_flux_over_best")] = 0.02 * sign
        target = torch.full((512, 16), torch.nan)
        target[:, 3] = (sign > 0).float()
        optimiser = torch.optim.AdamW(network.parameters(), lr=2e-3)
        for _ in range(60):
            found = masked_loss(network.judge(features, context), target)
            optimiser.zero_grad()
            found.backward()
            optimiser.step()
        loss[scales] = found.item()
    assert loss[True] < 0.1
    assert loss[False] > 0.3


def test_an_unknown_run_adds_nothing():
    network = a_network(True).eval()
    torch.nn.init.normal_(network.scales[-1].weight)
    features = torch.randn(3, 32)
    alone = torch.full((3, len(CONTEXT)), torch.nan)
    plain = a_network(False).eval()
    plain.load_state_dict(network.state_dict(), strict=False)
    with torch.inference_mode():
        torch.testing.assert_close(network.judge(features, alone), plain.judge(features, alone))
        beside = torch.rand(3, len(CONTEXT))
        assert (network.judge(features, beside) - plain.judge(features, beside)).abs().max() > 0.01


def test_training_goes_on_from_weights_that_knew_the_first_numbers_only(tmp_path):
    from safetensors.torch import save_file

    before, path = a_network(False).eval(), tmp_path / "before.safetensors"
    save_file({f"network.{n}": t.contiguous() for n, t in before.state_dict().items()}, path)
    after = a_network(True).eval()
    load_checkpoint(after, path)
    views, context = random_views(4), torch.rand(4, len(CONTEXT))
    with torch.inference_mode():
        torch.testing.assert_close(after(views, context), before(views, context))
