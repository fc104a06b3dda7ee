"""The mean of trainings that went on from the same weights; torch's own mean is the reference."""

from pathlib import Path

import pytest
import torch

from classifier.errors import UsageError
from classifier.network import Network
from classifier.weights import load_model
from training.average import average
from training.checkpoint import load_checkpoint, made_before
from training.config import read_train_config
from training.train import train

CONFIGS = Path(__file__).parent.parent / "training" / "configs"
TINY = read_train_config(CONFIGS / "tiny.toml").changed(steps=2)


@pytest.fixture(scope="module")
def parts(tmp_path_factory) -> tuple[Path, list[Path]]:
    out = tmp_path_factory.mktemp("average")
    start = train(TINY.changed(name="start"), out / "first", say=lambda line: None)
    made = [
        train(TINY.changed(seed=seed, name=f"part-{seed}"), out, start, say=lambda line: None)
        for seed in (21, 22)
    ]
    return start, made


def test_the_mean_is_made_into_a_model(parts, tmp_path):
    _, folders = parts
    mean = tmp_path / "mean.safetensors"
    average(folders, None, 0.0, mean)
    networks = [load_model(folder).network.state_dict() for folder in folders]
    model = load_model(
        train(TINY.changed(steps=0, name="whole"), tmp_path, mean, say=lambda line: None)
    )
    for name, weights in model.network.state_dict().items():
        own = [state[name] for state in networks]
        if weights.is_floating_point():
            # As stored, in 16-bit floats.
            torch.testing.assert_close(weights, (own[0] + own[1]) / 2, atol=1e-5, rtol=2e-3)
    assert not torch.equal(*(state["fuse.2.weight"] for state in networks))
    made = model.config["training"]
    assert made["steps"] == 0 and made["rendered_frames"] == 0
    names = [part["settings"]["name"] for part in made["started_from"]["mean_of"]]
    assert names == ["part-21", "part-22"]
    assert made["started_from"]["started_from"]["settings"]["name"] == "start"
    card = (model.folder / "card.md").read_text(encoding="utf-8")
    assert "mean of the weights of 2 trainings" in card


def test_a_share_of_the_way_back_is_gone_and_told(parts, tmp_path):
    start, folders = parts
    whole, half = tmp_path / "whole.safetensors", tmp_path / "half.safetensors"
    average(folders, None, 0.0, whole)
    average(folders, start, 0.5, half)
    config = load_model(start).network.config
    first, mean, found = (
        load_checkpoint(Network(config), path)["fuse.2.weight"] for path in (start, whole, half)
    )
    torch.testing.assert_close(found, (first + mean) / 2, atol=1e-4, rtol=2e-3)
    assert made_before(half)["started_from"]["went_back"] == {"share": 0.5, "to": "START"}
    with pytest.raises(UsageError, match="already exists"):
        average(folders, None, 0.0, whole)


def test_parts_of_other_starts_are_refused(parts, tmp_path):
    start, folders = parts
    with pytest.raises(UsageError, match="different weights"):
        average([folders[0], start], None, 0.0, tmp_path / "no.safetensors")
