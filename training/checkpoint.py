"""The weights that a training goes on from, how they were made, and the way back to them.

A checkpoint holds the network and the record of its training; a model folder has that in its
config.json.
"""

import json
import shlex
from pathlib import Path
from typing import Any

import torch
from safetensors import SafetensorError, safe_open
from safetensors.torch import load_file, save_file

from classifier.errors import UsageError
from classifier.network import Network
from classifier.weights import CONFIG_FILE, NETWORK_PREFIX, WEIGHTS_FILE, network_state

# Branches that a network may have begun with; what they add to it was zero at first.
ADDED = ("company.", "lines.", "lines_heard.", "scales.")
ADDED_LAST = ("company.2.weight", "lines_heard.weight", "scales.2.weight")
MADE = "training"  # the name of the record among a checkpoint's metadata


def write_checkpoint(path: Path, network: Network, made: dict[str, Any]) -> None:
    """The weights in 16-bit floats with the record of their training, put in place in one move."""
    state = {
        NETWORK_PREFIX + name: (tensor.half() if tensor.is_floating_point() else tensor)
        .cpu()
        .contiguous()
        for name, tensor in network.state_dict().items()
    }
    part = path.with_suffix(".part")
    save_file(state, part, metadata={MADE: json.dumps(made)})
    part.replace(path)


def made_before(path: Path | None, share: float = 0.0) -> dict[str, Any]:
    """How the model folder or the checkpoint that a training goes on from was made; nothing for
    bare weights. share: of these that is to be in the result."""
    if path is None:
        return {}
    if path.name == WEIGHTS_FILE:
        path = path.parent
    if path.is_dir():
        told = path / CONFIG_FILE
        made = json.loads(told.read_text(encoding="utf-8"))["training"] if told.is_file() else None
    else:
        with safe_open(path, framework="pt") as file:
            kept = (file.metadata() or {}).get(MADE)
        made = None if kept is None else json.loads(kept)
    back = {"went_back": {"share": share, "to": "START"}} if share else {}
    return back | ({} if made is None else {"started_from": made})


def without_places(command: str | None, places: dict[str, str]) -> str | None:
    """A command line with other words for folders and files: where they lay says nothing about the
    model."""
    if command is None:
        return None
    return shlex.join(places.get(word, word) for word in shlex.split(command))


def begin(network: Network, start: Path | None, share: float) -> dict[str, torch.Tensor]:
    """The weights to start from, if any, which are returned as well: the training may write its own
    checkpoint in their place. share: of them that is to be in the result. Raises UsageError where
    there are none to go back to, or they do not fit."""
    if start is not None:
        return load_checkpoint(network, start)
    if share:
        raise UsageError(
            f"start_share is {share:g}, but the training starts from nothing; give --start-from."
        )
    return {}


def load_checkpoint(network: Network, path: Path) -> dict[str, torch.Tensor]:
    """Weights of a checkpoint, or of a model folder, into a network of the same settings, but that
    it may have begun to hear its company, to compare with its run on several scales, to look along
    lines, or to be told more along them.
    Returns them as they go into it."""
    path = path / WEIGHTS_FILE if path.is_dir() else path
    try:
        state = network_state(load_file(path))
        # What a network knows of its run's company, or of lines, is learnt on top of what it knows
        # without.
        own = network.state_dict()
        new = {n: t for n, t in own.items() if n.startswith(ADDED) and n not in state}
        state |= _widened(state, own)
        network.load_state_dict(state | new)
    except (OSError, RuntimeError, SafetensorError) as error:
        first = str(error).splitlines()[0]
        raise UsageError(
            f"The weights {path} cannot start this training ({first}); give a checkpoint made "
            "with the same network settings."
        ) from error
    return state


def _widened(
    state: dict[str, torch.Tensor], own: dict[str, torch.Tensor]
) -> dict[str, torch.Tensor]:
    """What a network is told along lines may have grown, by numbers behind the others: those of its
    weights and statistics, as they begin, that are too short in a state."""
    wide: dict[str, torch.Tensor] = {}
    for name in ("lines.0.running_mean", "lines.0.running_var", "lines.1.weight"):
        if name in state and name in own and state[name].shape[-1] < own[name].shape[-1]:
            new = own[name].clone()
            if name.endswith("weight"):
                new.zero_()
            new[..., : state[name].shape[-1]] = state[name]
            wide[name] = new
    return wide


@torch.no_grad()
def go_back(network: Network, before: dict[str, torch.Tensor], share: float) -> None:
    """Move all weights a share of the way back to those that the training went on from, as
    `load_checkpoint` returned them.

    Between the two lie networks that know nearly all that was learnt since and are steadier on
    frames unlike those that it was learnt from (Wortsman et al. 2022, arXiv 2109.01903).
    """
    for name, tensor in network.state_dict().items():
        if name in before and tensor.is_floating_point():
            tensor.lerp_(before[name].to(tensor), share)
        elif name in ADDED_LAST:
            tensor.mul_(1 - share)
