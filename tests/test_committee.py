"""Members who judge: each by its share of the features, asked one by one, their mean given."""

import copy

import numpy as np
import pytest
import torch
from sklearn.metrics import log_loss
from small_model import SMALL, random_views, write_small_model

from classifier import committee
from classifier.context import CONTEXT, run_company
from classifier.errors import ModelError
from classifier.network import Network, NetworkConfig
from classifier.vocabulary import KEYS
from classifier.weights import load_model
from training.config import TrainConfig
from training.data import Sample, targets_of
from training.export import as_stored
from training.loop import Trainer

MEMBERS = 4
FOUR = NetworkConfig(**SMALL.as_dict() | {"members": MEMBERS, "lines": 1, "dropout": 0.0})


@pytest.fixture(scope="module")
def network() -> Network:
    torch.manual_seed(5)
    network = Network(FOUR)
    for last in (network.company[2], network.scales[-1], network.lines_heard):
        torch.nn.init.normal_(last.weight, std=0.1)
    return as_stored(network).eval()


def context_of(frames: int) -> torch.Tensor:
    return torch.randn(frames, len(CONTEXT), generator=torch.Generator().manual_seed(2))


def test_what_is_given_is_the_mean_of_what_members_say(network):
    features = network.encode(random_views(6))
    beside = torch.cat((context_of(6), run_company(features)), 1)
    with torch.inference_mode():
        opinions = network.opinions(features, beside)
        assert opinions.shape == (6, MEMBERS, len(KEYS))
        torch.testing.assert_close(network.judge(features, beside), opinions.mean(1))
        # They are of different minds: each began on its own.
        assert opinions.std(1).min() > 1e-4


@torch.inference_mode()
def test_a_member_judges_by_its_own_share_of_the_features(network):
    """And all of them hear the numbers beside the run and its company."""
    features, context = network.encode(random_views(5)), context_of(5)
    share = FOUR.features // MEMBERS
    before = network.opinions(features, context)
    for member in range(MEMBERS):
        changed = features.clone()
        changed[:, member * share : (member + 1) * share] += 1.0
        moved = (network.opinions(changed, context) - before).abs().amax((0, 2))
        assert [bool(size > 0) for size in moved] == [other == member for other in range(MEMBERS)]
    company = torch.cat((context, run_company(features)), 1)
    for other in (context + 0.5, company):
        assert ((network.opinions(features, other) - before).abs().amax((0, 2)) > 0).all()


@torch.inference_mode()
def test_a_member_makes_its_share_of_the_features_by_itself(network):
    """By its own layers from what all branches tell, the lines too."""
    views = random_views(3)
    told = network.told(views)
    fuses = committee.each(network.fuse)
    lines = network.lines_heard(told[-1]).chunk(MEMBERS, 1)
    beside = torch.cat(told[:-1], 1)
    own = [fuse[3:](fuse[:3](beside) + heard) for fuse, heard in zip(fuses, lines, strict=True)]
    torch.testing.assert_close(network.encode(views), torch.cat(own, 1))


def test_each_is_asked_on_its_own(network):
    """The loss is the mean of the members' own, by scikit-learn, not that of their mean."""
    frames = 8
    generator = torch.Generator().manual_seed(3)
    strength = torch.rand(frames, len(KEYS), generator=generator) * 1e6
    strength[::2] = 0.0
    sample = Sample(random_views(frames), context_of(frames), strength, torch.arange(frames))
    config = TrainConfig(steps=1, batch=frames, network=FOUR.as_dict(), branch_weight=0.0)
    network = copy.deepcopy(network).train()
    trainer = Trainer(network, config, torch.device("cpu"))
    loss = trainer.step(sample, 0.0)
    # Batch norms hear the batch, as they did in the step.
    with torch.no_grad():
        opinions = network.opinions(network.encode(sample.views), sample.context)
    truth = targets_of(strength).numpy()
    assert set(truth.ravel()) == {0.0, 1.0}
    said = opinions.sigmoid().double().numpy()
    everybody = np.broadcast_to(truth[:, None], said.shape)
    expected = log_loss(everybody.ravel(), said.ravel())
    of_mean = log_loss(truth.ravel(), opinions.mean(1).sigmoid().double().numpy().ravel())
    assert loss.item() == pytest.approx(expected, rel=1e-4)
    assert abs(expected - of_mean) > 1e-3 * expected


def test_a_model_of_members_says_the_same_when_read_back(network, tmp_path):
    folder = write_small_model(tmp_path / "four", network)
    model = load_model(folder)
    views, context = random_views(2), context_of(2)
    with torch.inference_mode():
        expected = network.judge(network.encode(views), context)
        found = model.network.judge(model.network.encode(views), context)
    torch.testing.assert_close(found, expected)


def test_features_are_shared_out_without_a_rest(tmp_path, network):
    with pytest.raises(ValueError, match=r"32 features .* 3 members"):
        Network(NetworkConfig(features=32, members=3))
    folder = write_small_model(tmp_path / "four", network)
    path = folder / "config.json"
    path.write_text(path.read_text().replace('"members": 4', '"members": 3'))
    with pytest.raises(ModelError, match="3 members"):
        load_model(folder)


def test_one_alone_has_the_weights_that_models_have_always_had():
    names = set(Network(SMALL).state_dict())
    assert {"fuse.2.weight", "fuse.4.bias", "head.1.weight", "head.3.bias"} <= names
