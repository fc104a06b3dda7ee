"""Pre-training on star cut-outs: the star branch learns, nothing else moves, it ends in time."""

import time
from dataclasses import replace

import pytest
import torch
from small_model import SMALL

from classifier.errors import UsageError
from classifier.network import Network
from classifier.vocabulary import INDEX
from synth.star_scenes import STAR_KEYS
from training.config import PretrainConfig, TrainConfig, config_from
from training.pretrain import STARS_ALONE, StarLearner, plan_star_batch, pretrain
from training.sheets import Sheets, render_sheets

CPU = torch.device("cpu")
CONFIG = TrainConfig(
    steps=1,
    seed=5,
    device="cpu",
    shapes=((160, 192),),
    shape_weights=(1.0,),
    stars_in_training=(16,),
    learning_rate=3e-3,
    pretrain=PretrainConfig(seconds=120, steps=3, frames=6, times=2),
)


@pytest.fixture(scope="module")
def sheets() -> Sheets:
    return next(render_sheets(plan_star_batch(CONFIG, 0), 1, 0))


def _network() -> Network:
    torch.manual_seed(1)
    return Network(SMALL)


def test_one_batch_can_be_learnt_by_heart(sheets):
    learner = StarLearner(_network(), CONFIG, CPU)
    clear = sheets.strength.clone()
    clear[:, INDEX["defocus"]] = torch.tensor([1.0, 9.0]).repeat(3)
    known = replace(sheets, strength=clear)
    losses = [learner.step(known, 3e-3, 16).item() for _ in range(40)]
    assert losses[-1] < 0.4 * losses[0]
    with torch.no_grad():
        defocus = learner.logits(known, 16)[:, STAR_KEYS.index("defocus")]
    assert (defocus[1::2].min() > defocus[::2].max()).item()


def test_every_weight_of_the_star_branch_gets_a_gradient(sheets):
    learner = StarLearner(_network(), CONFIG, CPU)
    before = [p.detach().clone() for p in learner.parameters]
    learner.step(sheets, 1e-3, 16)
    assert all(p.grad is not None and p.grad.abs().sum() > 0 for p in learner.parameters)
    moved = [not torch.equal(p, q) for p, q in zip(learner.parameters, before, strict=True)]
    assert all(moved)


def test_what_cutouts_cannot_tell_is_not_learnt(sheets):
    one, two = (StarLearner(_network(), CONFIG, CPU) for _ in range(2))
    torch.manual_seed(2)
    two.head.load_state_dict(one.head.state_dict())
    other = sheets.strength.clone()
    other[:, INDEX["clouds"]] = 3.0
    other[:, INDEX["hot_pixels"]] = 5.0
    losses = [
        learner.step(replace(sheets, strength=strength), 1e-3, 16).item()
        for learner, strength in ((one, sheets.strength), (two, other))
    ]
    assert losses[0] == losses[1]


def test_only_the_star_branch_changes_and_steps_end_it():
    network = _network()
    before = {name: tensor.clone() for name, tensor in network.state_dict().items()}
    done = pretrain(network, CONFIG, CPU)
    assert done.steps == 3
    # Up to 16 stars of 6 frames in each of 3 steps.
    assert 0 < done.cutouts <= 3 * 6 * 16
    changed = {
        name.split(".")[0]
        for name, tensor in network.state_dict().items()
        if not torch.equal(tensor, before[name])
    }
    assert changed == {"stars", "stack"}


def test_the_clock_ends_it():
    config = replace(CONFIG, pretrain=replace(CONFIG.pretrain, steps=0))
    started = time.monotonic()
    done = pretrain(_network(), config, CPU, seconds=0.5)
    # It goes on for half a second, then at most one batch more: seconds even on a busy machine.
    assert 0.5 <= done.seconds <= time.monotonic() - started
    assert done.seconds < 60
    assert done.steps >= 1


def test_the_same_seed_learns_the_same():
    one, two = _network(), _network()
    losses = []
    for network in (one, two):
        torch.manual_seed(3)
        losses.append(pretrain(network, CONFIG, CPU).last_loss)
    # The steps' rates follow the clock a little, as in training by time.
    assert losses[0] == pytest.approx(losses[1], rel=0.02)


def test_scenes_are_no_whole_frames_scenes():
    fields = {(*row,) for row in plan_star_batch(CONFIG, 0).numbers[:, :3].tolist()}
    others = {(*row,) for row in plan_star_batch(CONFIG, 1).numbers[:, :3].tolist()}
    assert not fields & others
    assert STARS_ALONE not in ("training", "validation", "calibration", "evaluation")


def test_a_loss_that_is_no_number_is_said():
    network = _network()
    with torch.no_grad():
        network.stars.project.weight.fill_(torch.nan)
    with pytest.raises(UsageError, match="no number"):
        pretrain(network, CONFIG, CPU)


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"second": 3}, "'second'.*no training setting"),
        ({"seconds": -1.0}, "seconds in .pretrain. is -1"),
        ({"frames": 0}, "frames in .pretrain. is 0"),
        ({"times": "often"}, "times to 'often'"),
    ],
)
def test_wrong_settings_are_said(table, said):
    with pytest.raises(UsageError, match=said):
        config_from({"steps": 1, "pretrain": table}, "some.toml")


def test_the_table_is_read_and_kept():
    config = config_from({"steps": 1, "pretrain": {"seconds": 3, "times": 2}}, "some.toml")
    assert config.pretrain == PretrainConfig(seconds=3, times=2)
    assert config.changed(seed=2).pretrain == config.pretrain
    assert config.as_dict()["pretrain"]["times"] == 2
