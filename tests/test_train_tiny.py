"""Training from nothing on a CPU, through everything, to a model that labels."""

import json
import math
from pathlib import Path

import pytest
import torch
from safetensors.torch import load_file
from small_model import random_views, write_small_model

import training.train
from classifier.context import CONTEXT
from classifier.errors import UsageError
from classifier.network import Network, NetworkConfig
from classifier.vocabulary import KEYS
from classifier.weights import WEIGHTS_FILE, load_model, network_state
from training import data, stream
from training.card import card_text
from training.checkpoint import go_back, load_checkpoint, made_before, without_places
from training.config import read_train_config
from training.evaluate import evaluate, read_figures
from training.loop import Trainer
from training.ranks import Ranks
from training.train import CHECKPOINT, LOG, train

CONFIG = read_train_config(
    Path(__file__).parent.parent / "training" / "configs" / "tiny.toml"
).changed(save_every_s=0.001, report_every_s=0.001)


@pytest.fixture(scope="module")
def trained(tmp_path_factory) -> tuple[Path, list[str]]:
    lines: list[str] = []
    out = tmp_path_factory.mktemp("training")
    return train(CONFIG, out, say=lines.append, command="the command typed"), lines


def test_the_folder_is_whole_and_loads(trained):
    folder, _ = trained
    names = {path.name for path in folder.iterdir()}
    assert names == {"weights.safetensors", "config.json", "card.md", "evaluation.json"}
    assert load_model(folder).name == "tiny"


def test_it_gives_sixteen_confidences(trained):
    model = load_model(trained[0])
    views = random_views(3)
    with torch.inference_mode():
        features = model.network.encode(views)
        found = model.confidences(
            model.network.judge(features, torch.full((3, len(CONTEXT)), torch.nan))
        )
    assert found.shape == (3, len(KEYS))
    assert ((found >= 0) & (found <= 1)).all()
    strange = model.unfamiliar(features)
    assert ((strange >= 0) & (strange <= 1)).all()


def test_the_record_says_how_it_was_made(trained):
    made = load_model(trained[0]).config["training"]
    assert made["command"] == "the command typed"
    assert made["steps"] == CONFIG.steps
    assert made["device"] == "CPU"
    assert made["settings"]["seed"] == CONFIG.seed
    assert made["rendered_frames"] >= CONFIG.batch * CONFIG.steps / CONFIG.reuse
    card = (trained[0] / "card.md").read_text(encoding="utf-8")
    assert "the command typed" in card
    assert all(f"| {key} |" in card for key in KEYS)


def test_the_cards_figures_come_from_the_evaluation(trained):
    figures = json.loads((trained[0] / "evaluation.json").read_text(encoding="utf-8"))
    assert figures["frames"] >= CONFIG.evaluation_frames
    assert figures["weights_sha256"] == load_model(trained[0]).sha256
    card = (trained[0] / "card.md").read_text(encoding="utf-8")
    written = read_figures(trained[0] / "evaluation.json")
    assert card == card_text(load_model(trained[0]).config, written)
    told = figures["ablation"]
    assert told["frames"] == figures["frames"]
    whole = told["variants"]["all"]["macro_average_precision"]
    assert whole == pytest.approx(figures["macro_average_precision"]["value"], abs=1e-3)
    alone = told["variants"]["without_run"]["macro_average_precision"]
    assert alone == pytest.approx(figures["macro_average_precision_alone"], abs=1e-3)
    assert "| fault | all | no run | no company | no sky |" in card.replace("_", " ")
    assert f"Macro average precision **{figures['macro_average_precision']['value']:.2f}**" in card


def test_evaluating_again_gives_the_same_figures(trained, tmp_path):
    """The command renders the same frames anew from the model's own settings."""
    first = json.loads((trained[0] / "evaluation.json").read_text(encoding="utf-8"))
    again = evaluate(
        trained[0],
        frames=first["frames"],
        out=tmp_path / "figures.json",
        device="cpu",
        former=write_small_model(tmp_path / "other"),
    )
    assert again["former"]["model"] == "other"
    macro = again["former"]["macro_average_precision"]
    assert macro["this"]["value"] == again["macro_average_precision"]["value"]
    assert macro["former"]["value"] != macro["this"]["value"], "another network, other answers"
    assert again["macro_average_precision"]["value"] == pytest.approx(
        first["macro_average_precision"]["value"], rel=1e-4
    )
    for key in KEYS:
        value = again["faults"][key]["average_precision"]
        written = first["faults"][key]["average_precision"]
        assert (written is None) == math.isnan(value)
        if written is not None:
            assert value == pytest.approx(written, rel=1e-4)


def test_progress_is_told_and_logged(trained):
    folder, lines = trained
    log = [json.loads(line) for line in (folder.parent / LOG).read_text().splitlines()]
    assert log[-1]["step"] == CONFIG.steps
    assert any(f"step {CONFIG.steps}," in line for line in lines)
    assert not (folder.parent / CHECKPOINT).exists(), "the checkpoint goes when the model stands"


def test_a_frame_that_is_no_number_is_left_out(tmp_path, monkeypatch):
    """One such frame would make the loss, and with it all weights, none."""
    rendered = data.render_sample

    def spoilt(config, set_name, index, device, plan=None):
        sample = rendered(config, set_name, index, device, plan)
        if set_name == data.TRAINING:
            sample.views.sky[0, 1, 5, 5] = torch.nan
        return sample

    monkeypatch.setattr(stream, "render_sample", spoilt)
    train(CONFIG.changed(steps=4), tmp_path, say=lambda line: None)
    log = [json.loads(line) for line in (tmp_path / LOG).read_text().splitlines()]
    assert log[-1]["left_out"] > 0
    assert log[-1]["step"] == 4 and math.isfinite(log[-1]["loss"])


def test_all_processes_count_from_one_moment(tmp_path, monkeypatch):
    """Whether it is time to report is decided by the first one's clock: counted from a start of its
    own, a process would report a batch earlier or later than the others, and all would wait."""

    class Follower(Ranks):
        def agree(self, value: float) -> float:
            return 7.5

    since = []
    monkeypatch.setattr(training.train, "report", lambda *args: since.append(args[-1]))
    train(CONFIG.changed(steps=2), tmp_path, say=lambda line: None, ranks=Follower())
    assert since and set(since) == {7.5}


def test_the_former_model_sees_views_of_its_own_kind(trained, tmp_path):
    """Networks that look along lines search for them against a narrower mean than others do."""
    looking = Network(NetworkConfig(width=8, features=32, star_features=16, lines=1))
    former = write_small_model(tmp_path / "along", looking)
    settings = CONFIG.changed(evaluation_frames=64)
    beside = evaluate(trained[0], settings, device="cpu", former=former)["former"]
    own = evaluate(former, settings, device="cpu")
    macro = beside["macro_average_precision"]["former"]["value"]
    assert macro == pytest.approx(own["macro_average_precision"]["value"], rel=1e-6)


def test_an_existing_folder_is_left_alone(trained):
    with pytest.raises(UsageError, match="already exists"):
        train(CONFIG, trained[0].parent)


def test_weights_can_be_gone_on_from(trained):
    model = load_model(trained[0])
    fresh = type(model.network)(model.network.config)
    load_checkpoint(fresh, trained[0])
    for name, tensor in model.network.state_dict().items():
        assert torch.equal(tensor, fresh.state_dict()[name])
    with pytest.raises(UsageError, match="cannot start"):
        load_checkpoint(fresh, trained[0] / "card.md")


def test_what_a_training_cut_short_leaves_says_how_it_was_made(tmp_path, monkeypatch):
    """The model that goes on from it names both trainings, and no place on anybody's machine."""
    step = Trainer.step

    def failing(self, sample, rate):
        if self.steps >= 2:
            raise RuntimeError("the power went")
        return step(self, sample, rate)

    with monkeypatch.context() as patched:
        patched.setattr(Trainer, "step", failing)
        with pytest.raises(RuntimeError, match="power"):
            train(CONFIG, tmp_path, say=lambda line: None, command=f"first --out {tmp_path}")
    left = tmp_path / CHECKPOINT
    first = made_before(left)["started_from"]
    assert (first["command"], first["steps"]) == ("first --out DIR", 2)
    # Gone on from in the same folder, where the second training writes its own checkpoint over it.
    before = network_state(load_file(left))
    command = f"second --start-from {left}"
    folder = train(
        CONFIG.changed(evaluation_frames=8, start_share=0.9999),
        tmp_path,
        start_from=left,
        say=lambda line: None,
        command=command,
    )
    made = load_model(folder).config["training"]
    assert made["command"] == "second --start-from START"
    assert made["started_from"] == first
    assert made_before(folder) == made_before(folder / "weights.safetensors")
    assert made_before(folder)["started_from"] == made
    card = (folder / "card.md").read_text(encoding="utf-8")
    assert "all weights went 100 % of the way back to those of START" in card
    assert "from the weights of an earlier training:\n\n    first --out DIR" in card
    # Nearly all the way back: the weights are those that were left.
    kept = network_state(load_file(folder / WEIGHTS_FILE))
    for name, tensor in before.items():
        torch.testing.assert_close(kept[name], tensor, atol=2e-3, rtol=2e-3)


def test_weights_go_a_share_of_the_way_back(trained, tmp_path):
    """Halfway between what a training began with and what it came to, weight for weight; a branch
    that was not there at first is heard half as loud."""
    start = load_model(trained[0]).network
    along = NetworkConfig(**start.config.as_dict() | {"lines": True})
    network = Network(along)
    before = load_checkpoint(network, trained[0])
    with torch.no_grad():
        for tensor in network.parameters():
            tensor += 0.5
    came_to = {name: tensor.clone() for name, tensor in network.state_dict().items()}
    go_back(network, before, 0.25)
    for name, tensor in network.state_dict().items():
        if name == "lines_heard.weight":
            torch.testing.assert_close(tensor, 0.75 * came_to[name])
        elif name in start.state_dict():
            between = 0.75 * came_to[name] + 0.25 * start.state_dict()[name]
            torch.testing.assert_close(tensor, between.to(tensor.dtype))
        else:
            assert torch.equal(tensor, came_to[name])


def test_a_way_back_needs_a_start(tmp_path):
    with pytest.raises(UsageError, match=r"start_share is 0.4.*--start-from"):
        train(CONFIG.changed(start_share=0.4), tmp_path)


def test_weights_that_are_no_numbers_are_gone_back_from(tmp_path, monkeypatch):
    """A bad step costs what was learnt since the last report, not the training; a training that
    only makes bad ones ends with a sentence."""
    step, told = Trainer.step, []

    def poisoned(self, sample, rate):
        loss = step(self, sample, rate)
        if self.steps in bad:
            with torch.no_grad():
                next(self.network.parameters()).fill_(torch.nan)
        return loss

    monkeypatch.setattr(Trainer, "step", poisoned)
    bad = {2}
    settings = CONFIG.changed(steps=6, evaluation_frames=8)
    folder = train(settings, tmp_path, say=told.append)
    assert any("no numbers any more after 4 steps: on from the weights" in line for line in told)
    network = load_model(folder).network
    assert all(tensor.isfinite().all() for tensor in network.state_dict().values())
    bad = set(range(3, 40))
    with pytest.raises(UsageError, match="lower learning_rate"):
        train(settings.changed(name="bad", steps=20), tmp_path, say=told.append)
    assert not any(t.isnan().any() for t in load_file(tmp_path / CHECKPOINT).values())


def test_memory_that_runs_out_loses_nothing(tmp_path, monkeypatch):
    """From the third step on there is no memory: the two steps made are kept and exported."""
    step = Trainer.step

    def failing(self, sample, rate):
        if self.steps >= 2:
            raise torch.OutOfMemoryError("no memory left")
        return step(self, sample, rate)

    monkeypatch.setattr(Trainer, "step", failing)
    lines: list[str] = []
    folder = train(CONFIG.changed(evaluation_frames=8), tmp_path, say=lines.append)
    assert load_model(folder).config["training"]["steps"] == 2
    assert any("out of memory" in line for line in lines)


def test_a_command_is_told_without_places():
    """As pasted into a shell again: quotes stay quotes, other words stay as they were."""
    line = "nightcull train --name 'two words' --out ../runs/mine --real-frames subs.npz"
    told = without_places(line, {"../runs/mine": "DIR", "subs.npz": "FILE"})
    assert told == "nightcull train --name 'two words' --out DIR --real-frames FILE"
    assert without_places(None, {}) is None
