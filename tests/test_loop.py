"""One training step, the loss, the rate and the running average, on views that show nothing."""

import copy

import pytest
import torch
from sklearn.metrics import log_loss
from small_model import SMALL, random_views

from classifier.context import CONTEXT
from classifier.network import Network
from classifier.vocabulary import FAULTS, KEYS
from training.config import TrainConfig
from training.data import Sample, targets_of
from training.loop import Trainer, encode_all, judge_both, masked_loss, rate_at

CPU = torch.device("cpu")


def sample_of(frames: int, seed: int = 1) -> Sample:
    """Frames of pure noise with clear random labels: whatever is learnt is learnt by heart."""
    generator = torch.Generator().manual_seed(seed)
    faulty = torch.rand(frames, len(KEYS), generator=generator) < 0.4
    counts = torch.tensor([row.counts_from for row in FAULTS])
    clean = torch.tensor([row.clean_below for row in FAULTS])
    return Sample(
        random_views(frames, seed),
        torch.randn(frames, len(CONTEXT), generator=generator),
        torch.where(faulty, counts, clean),
        torch.arange(frames),
    )


@pytest.fixture
def trainer() -> Trainer:
    torch.manual_seed(1)
    return Trainer(Network(SMALL), TrainConfig(steps=1, device="cpu", ema=0.9), CPU)


def test_targets_are_those_of_the_vocabulary():
    rng = torch.Generator().manual_seed(1)
    strength = torch.rand(50, len(KEYS), generator=rng) * 8
    strength[0, 3] = torch.nan
    found = targets_of(strength)
    assert found[0, 3].isnan()
    for column, row in enumerate(FAULTS):
        expected = [row.target(value) for value in strength[1:, column].tolist()]
        assert found[1:, column].tolist() == pytest.approx(expected, abs=1e-5)


def test_loss_is_scikit_learns_over_known_targets():
    generator = torch.Generator().manual_seed(2)
    logits = torch.randn(40, 16, generator=generator)
    targets = (torch.rand(40, 16, generator=generator) < 0.3).float()
    known = torch.rand(40, 16, generator=generator) < 0.7
    found = masked_loss(logits, torch.where(known, targets, torch.nan))
    outside = log_loss(targets[known].numpy(), torch.sigmoid(logits)[known].double().numpy())
    assert found.item() == pytest.approx(outside, rel=1e-5)
    assert masked_loss(logits, torch.full_like(logits, torch.nan)).item() == 0


def test_an_unknown_target_has_no_gradient():
    logits = torch.zeros(2, 16, requires_grad=True)
    targets = torch.zeros(2, 16)
    targets[1, 4] = torch.nan
    masked_loss(logits, targets).backward()
    assert logits.grad is not None
    assert logits.grad[1, 4] == 0
    assert (logits.grad != 0).sum() == 31


def test_one_step_changes_the_weights_once(trainer):
    """The first step of Adam is the rate times the sign of the gradient, whatever its size."""
    sample, rate = sample_of(4), 1e-3
    before = copy.deepcopy(trainer.network.state_dict())
    trainer.step(sample, rate)
    moved = trainer.network.head[-1].weight.detach() - before["head.3.weight"]
    # Weight decay adds rate * 0.02 * |w|, under 2e-6 here; entries of no gradient stay.
    assert moved.abs().max().item() == pytest.approx(rate, rel=0.01)
    assert trainer.steps == 1


def test_every_parameter_gets_a_gradient(trainer):
    sample = sample_of(4)
    # Beside a run's numbers and its company.
    company = torch.randn(4, SMALL.features, generator=torch.Generator().manual_seed(2))
    sample.context = torch.cat((sample.context, company), 1)
    # The last layer of what hears the run begins at zero, and hides those before it.
    torch.nn.init.normal_(trainer.network.scales[-1].weight, std=0.1)
    trainer.step(sample, 0.0)
    without = [
        name
        for name, parameter in trainer.network.named_parameters()
        if parameter.grad is None or not parameter.grad.abs().sum() > 0
    ]
    assert not without


def test_one_batch_can_be_learnt_by_heart(trainer):
    sample = sample_of(4)
    first = trainer.step(sample, 4e-3).item()
    for _ in range(40):
        last = trainer.step(sample, 4e-3).item()
    assert first > 0.6
    assert last < 0.15


def test_inner_matrices_learn_by_orthogonal_steps_where_asked_for():
    torch.manual_seed(1)
    config = TrainConfig(steps=1, device="cpu", orthogonal=True, weight_decay=0.0)
    trainer = Trainer(Network(SMALL), config, CPU)
    before = copy.deepcopy(trainer.network.state_dict())
    sample = sample_of(4)
    first = trainer.step(sample, 4e-3).item()
    moved = trainer.network.fuse[2].weight.detach() - before["fuse.2.weight"]
    # A gradient of four frames has four directions, which move alike; AdamW would move all entries
    # alike, and so mostly in one direction.
    values = torch.linalg.svdvals(moved)
    assert values[3] > 0.5 * values[0]
    assert values[4] < 1e-3 * values[0]
    last_layer = trainer.network.head[-1].weight.detach() - before["head.3.weight"]
    assert last_layer.abs().max().item() == pytest.approx(4e-3, rel=0.01)
    for _ in range(40):
        last = trainer.step(sample, 4e-3).item()
    assert last < 0.25 * first


def test_the_average_follows_the_weights(trainer):
    sample = sample_of(4)
    start = trainer.network.head[-1].bias.detach().clone()
    trainer.step(sample, 1e-2)
    now, average = trainer.network.head[-1].bias, trainer.average.head[-1].bias
    # After one step the decay is min(0.9, 2 / 11): the average has come 9/11 of the way.
    assert average == pytest.approx(start + (now.detach() - start) * 9 / 11, abs=1e-6)
    name = "stack.stem.1.running_mean"
    buffers, averaged = dict(trainer.network.named_buffers()), dict(trainer.average.named_buffers())
    assert averaged[name] == pytest.approx(buffers[name] * 9 / 11, abs=1e-5)
    assert not trainer.average.training


def test_the_rate_rises_then_falls():
    config = TrainConfig(steps=1, learning_rate=1.0, warm_up=0.1, final_rate=0.01)
    assert rate_at(0.0, config) == 0
    assert rate_at(0.05, config) == pytest.approx(0.5)
    assert rate_at(0.1, config) == pytest.approx(1.0)
    # Half way down the cosine: the mean of both ends.
    assert rate_at(0.55, config) == pytest.approx(0.505)
    assert rate_at(1.0, config) == pytest.approx(0.01)
    assert rate_at(1.3, config) == pytest.approx(0.01)


def test_answers_come_in_order_and_do_not_depend_on_the_batch(trainer):
    trainer.network.eval()
    sample = sample_of(5)
    features = encode_all(trainer.network, sample.views, batch=2)
    torch.testing.assert_close(features, encode_all(trainer.network, sample.views))
    beside, alone = judge_both(trainer.network, features, sample.context, sample.run)
    with torch.inference_mode():
        torch.testing.assert_close(beside, trainer.network(sample.views, sample.context))
    assert (beside - alone).abs().max() > 1e-3
