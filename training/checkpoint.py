"""The weights that a training goes on from, and how they were made.

A checkpoint holds the network alone; a model folder says in its config.json how it was trained.
"""

import json
import shlex
from pathlib import Path
from typing import Any

from safetensors import SafetensorError
from safetensors.torch import load_file

from classifier.errors import UsageError
from classifier.network import Network
from classifier.weights import CONFIG_FILE, WEIGHTS_FILE, network_state


def made_before(path: Path | None) -> dict[str, Any]:
    """How the model folder that a training goes on from was made; nothing for bare weights."""
    if path is None or not (path / CONFIG_FILE).is_file():
        return {}
    return {
        "started_from": json.loads((path / CONFIG_FILE).read_text(encoding="utf-8"))["training"]
    }


def without_places(command: str | None, places: dict[str, str]) -> str | None:
    """A command line with other words for folders and files: where they lay says nothing about the
    model."""
    if command is None:
        return None
    return shlex.join(places.get(word, word) for word in shlex.split(command))


def load_checkpoint(network: Network, path: Path) -> None:
    """Weights of a checkpoint, or of a model folder, into a network of the same settings, but that
    it may have begun to hear its company, or to look along lines."""
    path = path / WEIGHTS_FILE if path.is_dir() else path
    try:
        state = network_state(load_file(path))
        # What a network knows of its run's company, or of lines, is learnt on top of what it knows
        # without.
        own, added = network.state_dict(), ("company.", "lines.", "lines_heard.")
        state |= {n: t for n, t in own.items() if n.startswith(added) and n not in state}
        network.load_state_dict(state)
    except (OSError, RuntimeError, SafetensorError) as error:
        first = str(error).splitlines()[0]
        raise UsageError(
            f"The weights {path} cannot start this training ({first}); give a checkpoint made "
            "with the same network settings."
        ) from error
