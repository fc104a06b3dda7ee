"""Numbers told in steps: against numpy's quantiles and interpolation, and kept with the weights."""

from dataclasses import replace

import numpy as np
import pytest
import torch
from small_model import SMALL, random_views

from classifier.context import CONTEXT
from classifier.encoders import STEPS, Steps, number_encoder, wide_number_encoder
from classifier.network import Network
from classifier.views import FACT_COUNT
from training.config import TrainConfig
from training.export import as_stored
from training.loop import Trainer


@pytest.fixture
def numbers() -> torch.Tensor:
    """Of unlike sizes: in hundredths, in hundreds, and one that is mostly unknown, which is 0."""
    rng = np.random.default_rng(6)
    three = rng.normal(0, 0.01, 4000), 300 + 100 * rng.exponential(size=4000), rng.normal(size=4000)
    three[2][:3000] = 0.0
    return torch.from_numpy(np.stack(three, 1)).float()


def test_knots_lie_at_quantiles_and_what_lies_between_is_shared_out(numbers: torch.Tensor):
    steps = Steps(3)
    steps.lay(numbers)
    shares = np.linspace(0, 1, STEPS + 1)
    shares[[0, -1]] = 0.003, 0.997
    knots = np.quantile(numbers.numpy(), shares, axis=0).T
    assert steps.knots.numpy() == pytest.approx(knots, rel=1e-3, abs=1e-5)
    told = steps(numbers[:50])
    assert told.shape == (50, 3 * (STEPS + 1)) and told[:, :3].equal(numbers[:50])
    # All steps of a number together are where it stands among the others.
    climbed = told[:, 3:].unflatten(1, (3, STEPS)).sum(2)
    for column in (0, 1):
        own = steps.knots[column].numpy()
        stands = np.interp(numbers[:50, column], own, np.arange(STEPS + 1))
        assert climbed[:, column].numpy() == pytest.approx(stands, abs=1e-2)


def test_beyond_the_knots_no_step_is_left_to_climb(numbers: torch.Tensor):
    steps = Steps(3)
    steps.lay(numbers)
    far = steps(torch.tensor([[-9e9] * 3, [9e9] * 3]))[:, 3:]
    assert far[0].eq(0).all() and far[1].eq(1).all()


def test_steps_take_what_a_line_cannot(numbers: torch.Tensor):
    """Is the second number in its middle third? No weight on the number itself can tell."""
    low, high = torch.quantile(numbers[:, 1], torch.tensor([1 / 3, 2 / 3]))
    wanted = ((numbers[:, 1] > low) & (numbers[:, 1] < high)).float()
    errors = []
    for in_steps in (False, True):
        told = (
            wide_number_encoder(3, 8, 8, in_steps=True)[:2]
            if in_steps
            else number_encoder(3, 8)[:1]
        )
        if in_steps:
            told[0].lay(numbers)
        told = told(numbers)
        told = torch.cat((told, torch.ones(len(told), 1)), 1)
        fit = torch.linalg.lstsq(told, wanted[:, None], driver="gelsd").solution
        errors.append(float((told @ fit - wanted[:, None]).square().mean()))
    assert errors[0] > 0.2 > 0.03 > errors[1]


def test_a_trainer_lays_them_for_both_of_its_networks_and_they_are_stored():
    torch.manual_seed(1)
    network = Network(replace(SMALL, in_steps=True, lines=1))
    trainer = Trainer(network, TrainConfig(steps=1), torch.device("cpu"))
    views = [random_views(40, seed) for seed in (1, 2)]

    class Part:
        def __init__(self, views):
            self.views = views

    trainer.lay_steps([Part(each) for each in views])
    facts = torch.cat([each.facts for each in views]) * network.shown_facts
    own = Steps(FACT_COUNT)
    own.lay(facts)
    for each in (trainer.network, trainer.average, as_stored(trainer.average)):
        assert each.facts[0].knots.equal(own.knots)
        assert "facts.0.knots" in each.state_dict()


def test_what_numbers_are_heard_by_learns_by_steps_of_adamw():
    """Each of them has a meaning of its own: there is nothing to turn into one another."""
    network = Network(replace(SMALL, in_steps=True, lines=1))
    config = TrainConfig(steps=1, orthogonal=True)
    adam, orthogonal = Trainer(network, config, torch.device("cpu")).optimisers
    groups = {id(p) for group in orthogonal.param_groups for p in group["params"]}
    for part in (network.facts, network.lines, network.scales):
        assert not groups & {id(p) for p in part.parameters()}
    assert id(network.fuse[2].weight) in groups
    everything = groups | {id(p) for group in adam.param_groups for p in group["params"]}
    assert {id(p) for p in network.parameters()} <= everything


def test_numbers_are_heard_with_and_without_a_run():
    """An untrained network says nothing by its scales: its last layer is made to speak."""
    torch.manual_seed(2)
    network = Network(replace(SMALL, in_steps=True)).eval()
    torch.nn.init.normal_(network.scales[-1].weight)
    features = network.encode(random_views(4))
    context = torch.randn(4, len(CONTEXT))
    with torch.inference_mode():
        beside = network.judge(features, context)
        other = network.judge(features, context + torch.tensor([0.0] * 20 + [1.0] * 28))
        unknown = context.clone()
        unknown[:, -1] = torch.nan
        assert (beside - other).abs().min() > 1e-4
        first = torch.cat((context[:, :-1], unknown[:, -1:]), 1)
        torch.testing.assert_close(network.judge(features, first), network.judge(features, unknown))
        assert network.judge(features, unknown).isfinite().all()
