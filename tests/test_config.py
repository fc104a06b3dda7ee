"""Training settings: files load, mistakes are named, changes from the command line apply."""

import json
from pathlib import Path

import pytest

from classifier.errors import UsageError
from classifier.network import Network, NetworkConfig
from training.config import TrainConfig, config_from, read_train_config

FILES = sorted((Path(__file__).parent.parent / "training" / "configs").glob("*.toml"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_settings_file_loads(path):
    config = read_train_config(path)
    Network(NetworkConfig(**config.network))
    again = config_from(json.loads(json.dumps(config.as_dict())), "the saved settings")
    assert again == config


def test_there_are_settings_files():
    assert {"ten-minutes", "tiny"} <= {path.stem for path in FILES}


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"steps": 1, "lerning_rate": 1.0}, "'lerning_rate', which is no training setting"),
        ({}, "one of minutes and steps"),
        ({"steps": 1, "minutes": 1.0}, "one of minutes and steps"),
        ({"steps": -1}, "steps is -1"),
        ({"minutes": -1.0}, "minutes is -1"),
        ({"steps": 1, "batch": 0}, "batch is 0"),
        ({"steps": 1, "batch": "many"}, "batch to 'many'"),
        ({"steps": 1, "bf16": 1}, "bf16 to 1"),
        ({"steps": 1, "seed": True}, "seed to True"),
        ({"steps": 1, "ema": 1.0}, "ema is 1.0"),
        ({"steps": 1, "prior": -0.1}, "prior is -0.1"),
        ({"steps": 1, "shapes": [[100, 1000]], "shape_weights": [1]}, "at least 128"),
        ({"steps": 1, "shapes": [[201, 300]], "shape_weights": [1]}, "even height"),
        ({"steps": 1, "shapes": [[200, 300]]}, "shape_weights"),
        ({"steps": 1, "shapes": 3}, "lists of numbers"),
        ({"steps": 1, "name": "../up"}, "plain folder name"),
        ({"steps": 1.5}, "steps to 1.5"),
        ({"steps": 1, "network": {"mebmers": 2}}, "'mebmers'; its settings are width"),
        ({"steps": 1, "network": {"members": 3}}, "256 features .* among 3 members"),
    ],
)
def test_a_mistake_is_named(values, told):
    with pytest.raises(UsageError, match=told):
        config_from(values, "the settings")


def test_a_file_that_is_no_toml_is_named(tmp_path):
    path = tmp_path / "broken.toml"
    path.write_text("steps = = 3", encoding="utf-8")
    with pytest.raises(UsageError, match=r"broken\.toml"):
        read_train_config(path)
    with pytest.raises(UsageError, match=r"missing\.toml"):
        read_train_config(tmp_path / "missing.toml")


def test_the_command_line_changes_what_it_gives_and_nothing_else():
    config = TrainConfig(steps=10)
    assert config.changed(minutes=None, seed=None) == config
    changed = config.changed(minutes=2.0, seed=5)
    assert (changed.minutes, changed.steps, changed.seed) == (2.0, None, 5)
    assert changed.changed(steps=3).minutes is None
    assert changed.batch == config.batch
