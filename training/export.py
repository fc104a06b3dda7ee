"""Writes model folders: weights in 16-bit floats, config.json, card.md; and the default's name.

The network that is calibrated, evaluated and shipped is one and the same: `as_stored` rounds the
weights to what the file will hold before anything is measured on them.
"""

import json
import math
import shutil
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from safetensors.torch import save_file
from torch import Tensor

from classifier import __version__
from classifier.errors import UsageError
from classifier.network import Network
from classifier.prior import LOWEST_THRESHOLD, LOWEST_UNSURE
from classifier.vocabulary import KEYS, VOCABULARY_VERSION
from classifier.weights import (
    CARD_FILE,
    CONFIG_FILE,
    DEFAULT_FILE,
    NETWORK_PREFIX,
    SCHEMA,
    WEIGHTS_FILE,
    file_sha256,
    inputs_of,
    load_model,
    prior_shift,
)
from training.calibrate import (
    Allowance,
    Familiar,
    Platt,
    clean_frames,
    fit_all,
    fit_familiar,
    kept_thresholds,
    prevalence,
)
from training.config import TrainConfig
from training.evaluate import Answers

EVALUATION_FILE = "evaluation.json"
LARGEST_WEIGHTS = 16 * 1024 * 1024
HALF_MAX = 65504.0


def as_stored(network: Network) -> Network:
    """The network with its weights rounded to 16-bit floats, in place."""
    state = {name: _stored(tensor) for name, tensor in network.state_dict().items()}
    network.load_state_dict(
        {n: t.float() if t.dtype == torch.half else t for n, t in state.items()}
    )
    return network


def _stored(tensor: Tensor) -> Tensor:
    if not tensor.is_floating_point():
        return tensor
    return tensor.clamp(-HALF_MAX, HALF_MAX).half()


def calibrated(
    network: Network, answers: Answers, config: TrainConfig, more_clean: Answers | None = None
) -> dict[str, Any]:
    """Everything config.json says about confidences, from answers on the calibration frames.

    more_clean: answers on frames of clean runs, which set the thresholds together with the clean
    frames of the others. Frames are fitted twice, beside their run and alone, because the label
    command meets both; a clean frame that gets a label in either way counts as falsely labelled.
    """
    familiar = _familiar(network, answers, more_clean)
    logits = np.concatenate((answers.beside, answers.alone)).astype(np.float64)
    targets = np.concatenate((answers.targets, answers.targets))
    platt = fit_all(logits, targets)
    shares = prevalence(answers.targets)
    prior = dict.fromkeys(KEYS, config.prior)
    confidence = _confidence(logits, platt, shares, prior)
    faulty = {key: confidence[targets[:, i] == 1.0, i] for i, key in enumerate(KEYS)}
    highest, run = _clean([answers] if more_clean is None else [answers, more_clean])
    clean = _confidence(highest, platt, shares, prior)
    thresholds, allowed = kept_thresholds(clean, run, config.clean_alarms, LOWEST_THRESHOLD, faulty)
    unsure, perhaps = kept_thresholds(clean, run, config.clean_unsure, LOWEST_UNSURE, faulty)
    return {
        "calibration": {key: asdict(fitted) for key, fitted in platt.items()},
        "prevalence": shares,
        "prior": prior,
        "thresholds": thresholds,
        "unsure": {key: min(unsure[key], thresholds[key]) for key in KEYS},
        "clean_labelled": _known(allowed),
        "clean_perhaps": _known(perhaps),
        "familiar": familiar,
        "calibration_frames": len(answers.run),
        "calibration_clean_frames": len(clean),
    }


def _familiar(network: Network, answers: Answers, more_clean: Answers | None) -> Familiar:
    """Every second run sets the scale of the distance, all other star fields its form."""
    sky, odd = answers.is_sky, answers.run % 2 == 1
    form = [answers.features[sky & ~odd]] + ([] if more_clean is None else [more_clean.features])
    own, others = np.concatenate(form).astype(np.float64), answers.features[sky & odd]
    # Of so few that may be strange one odd rig makes many: all that are at hand are asked.
    every = [answers.features[sky], *form[1:]]
    strangeness = strangeness_of(network, np.concatenate(every))
    return fit_familiar(own, (others if len(others) else own).astype(np.float64), strangeness)


def _clean(sets: list[Answers]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Of all clean frames the higher logits (N, 16) of beside their run and alone; runs (N,)."""
    highest, run = [], []
    for number, answers in enumerate(sets):
        # A clean frame may still hold what nobody can judge: that is no false alarm.
        sure = clean_frames(answers.targets)
        highest.append(np.maximum(answers.beside, answers.alone)[sure].astype(np.float64))
        # Each set numbers its runs from 0.
        run.append(len(sets) * answers.run[sure] + number)
    return np.concatenate(highest), np.concatenate(run)


def _known(allowed: Allowance) -> dict[str, float | None]:
    """Plain numbers for JSON, None where nothing is known."""
    return {n: v if math.isfinite(v) else None for n, v in asdict(allowed).items()}


@torch.inference_mode()
def strangeness_of(network: Network, features: NDArray[np.float64]) -> NDArray[np.float64]:
    """(N, D) features -> (N,) the network's logits that a frame is no star field."""
    where = next(network.parameters()).device
    return network.strangeness(torch.from_numpy(features).float().to(where)).double().cpu().numpy()


def _confidence(
    logits: NDArray[np.float64],
    platt: dict[str, Platt],
    shares: dict[str, float],
    prior: dict[str, float],
) -> NDArray[np.float64]:
    scale = np.array([platt[key].a for key in KEYS])
    offset = np.array([platt[key].b for key in KEYS]) + prior_shift(shares, prior).numpy()
    return 1 / (1 + np.exp(-(scale * logits + offset)))


def write_model(
    folder: Path,
    network: Network,
    fitted: dict[str, Any],
    unfamiliar_threshold: float,
    made: dict[str, Any],
) -> None:
    """Write weights and config.json of a new model folder.

    fitted: as from `calibrated`. made: the training record, kept as it is. Raises UsageError
    where the folder already holds a model: nothing is ever overwritten.
    """
    if (folder / CONFIG_FILE).exists():
        raise UsageError(
            f"The folder {folder} already holds a model; give another name or another --out."
        )
    folder.mkdir(parents=True, exist_ok=True)
    familiar: Familiar = fitted["familiar"]
    write_weights(folder, network, familiar.centre, familiar.whitening)
    config = {
        "schema": SCHEMA,
        "name": folder.name,
        "nightcull": __version__,
        "vocabulary_version": VOCABULARY_VERSION,
        "labels": list(KEYS),
        "input": inputs_of(network.config.scales),
        "network": network.config.as_dict(),
        "parameters": count_parameters(network),
        "weights_sha256": file_sha256(folder / WEIGHTS_FILE),
        **{name: value for name, value in fitted.items() if name != "familiar"},
        **familiar.marks(),
        "unfamiliar_threshold": unfamiliar_threshold,
        "training": made,
    }
    write_config(folder, config)


def write_weights(folder: Path, network: Network, centre: Any, whitening: Any) -> None:
    """Write weights.safetensors: the network and what familiar features look like."""
    tensors = {
        NETWORK_PREFIX + name: _stored(tensor.detach().cpu()).contiguous()
        for name, tensor in network.state_dict().items()
    }
    tensors["unfamiliar.centre"] = _stored(torch.as_tensor(np.asarray(centre))).contiguous()
    tensors["unfamiliar.whitening"] = _stored(torch.as_tensor(np.asarray(whitening))).contiguous()
    path = folder / WEIGHTS_FILE
    save_file(tensors, path)
    if path.stat().st_size > LARGEST_WEIGHTS:
        raise UsageError(
            f"The weights take {path.stat().st_size / 2**20:.1f} MiB, and 16 MiB is the limit; "
            "train a narrower network."
        )


def write_config(folder: Path, config: dict[str, Any]) -> None:
    text = json.dumps(config, indent=1, allow_nan=False)
    (folder / CONFIG_FILE).write_text(text + "\n", encoding="utf-8")


def count_parameters(network: torch.nn.Module) -> int:
    return sum(parameter.numel() for parameter in network.parameters())


def make_default(models: Path, name: str) -> None:
    """Name the model that is used when none is asked for."""
    models.mkdir(parents=True, exist_ok=True)
    (models / DEFAULT_FILE).write_text(name + "\n", encoding="utf-8")


def ship(folder: Path, models: Path) -> Path:
    """Copy a model folder among the models and make it the default. Raises UsageError, ModelError.

    A model of that name that is there already is left alone.
    """
    load_model(folder)
    target = models / folder.name
    if target.exists():
        raise UsageError(f"{target} already exists; train under another --name, or remove it.")
    shutil.copytree(folder, target)
    make_default(models, target.name)
    return target


def write_card(folder: Path, text: str) -> None:
    (folder / CARD_FILE).write_text(text, encoding="utf-8")
