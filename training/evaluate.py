"""A model on frames nobody trained or calibrated on -> one table of figures.

The frames are rendered here, the figures worked out in `training.figures`; the card's numbers
come from there and nowhere else. Every run has a rig and a field of its own, so runs that no
training saw are rigs that none saw.
"""

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import torch

from classifier.weights import Model, load_model
from training.ablation import Ablated, ablated, ablation_figures
from training.answers import Answers, answer
from training.config import TrainConfig, config_from
from training.data import EVALUATION, held_out
from training.figures import figures_of
from training.former import former_figures


def evaluate(
    model: str | Path | None = None,
    config: TrainConfig | None = None,
    frames: int | None = None,
    out: str | Path | None = None,
    device: str | None = None,
    former: str | Path | None = None,
) -> dict[str, Any]:
    """Render the evaluation set of `config` and judge a model on it.

    model: name or folder, None = the default one. config: seed, shapes and batches of the
    frames; None = those the model was trained with, so that its card's frames come again.
    frames: how many, None = as `config` says. out: file to write the figures to as JSON.
    device: as in TrainConfig. former: another model that judges the same frames, compared under
    "former". Returns the figures. Raises ModelError and UsageError.
    """
    loaded = load_model(model)
    config = (config or settings_of(loaded)).changed(device=device)
    where = pick_device(config)
    loaded.network.to(where)
    other = None if former is None else load_model(former)
    if other is not None:
        other.network.to(where)
    count = frames or config.evaluation_frames
    config = _looking_as(loaded, config)
    parts, views, earlier = [], [], []
    alike = other is not None and other.network.config.lines == loaded.network.config.lines
    for sample in held_out(config, EVALUATION, count, where):
        parts.append(answer(loaded, sample))
        views.append(ablated(loaded.network, sample))
        if alike:
            earlier.append(answer(other, sample))
    answers = Answers.cat(parts)
    figures = figures_of(loaded, answers, config.seed)
    figures["ablation"] = ablation_figures(Ablated.cat(views), config.seed, loaded.network.branches)
    if other is not None:
        if not alike:
            # Rendered again: one that looks along lines searches the frames for them otherwise.
            same = held_out(_looking_as(other, config), EVALUATION, count, where)
            earlier = [answer(other, sample) for sample in same]
        figures["former"] = former_figures(
            loaded, answers, other, Answers.cat(earlier), config.seed
        )
    if out is not None:
        write_figures(figures, Path(out))
    return figures


def _looking_as(model: Model, config: TrainConfig) -> TrainConfig:
    """The settings with views made as a model's network wants them."""
    return replace(config, network=config.network | {"lines": model.network.config.lines})


def settings_of(model: Model) -> TrainConfig:
    """The settings a model was trained with, before any retraining."""
    made = model.config["training"]
    while "before" in made:
        made = made["before"]
    return config_from(made["settings"], f"the model {model.name}").changed(device="auto")


def pick_device(config: TrainConfig) -> torch.device:
    """The device that a configuration asks for."""
    if config.device != "auto":
        return torch.device(config.device)
    return torch.device("cuda" if torch.cuda.is_available() else "cpu")


def write_figures(figures: dict[str, Any], path: Path) -> None:
    """Write figures as JSON; what is not a number becomes null."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(figures_text(figures), encoding="utf-8")


def figures_text(figures: dict[str, Any]) -> str:
    """Figures as the text of a JSON file."""
    return json.dumps(_plain(figures), indent=1, allow_nan=False) + "\n"


def read_figures(path: Path) -> dict[str, Any]:
    """Figures as written; null becomes NaN again."""
    return _with_nan(json.loads(path.read_text(encoding="utf-8")))


def _with_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _with_nan(entry) for name, entry in value.items()}
    if isinstance(value, list):
        return [_with_nan(entry) for entry in value]
    return float("nan") if value is None else value


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(entry) for name, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(entry) for entry in value]
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value
