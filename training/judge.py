"""A model judged on rendered frames, on faults grafted onto real ones, and beside the measures.

The command `nightcull evaluate` is this function; the card's figures, on rendered frames alone,
come from `evaluate`.
"""

from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from classifier.vocabulary import KEYS
from classifier.weights import Model, load_model
from training.config import TrainConfig
from training.evaluate import Answers, answer, evaluate, figures_of, settings_of, write_figures
from training.good_frames import good_frames
from training.grafts import grafted
from training.measured import measured_figures


def judge(
    model: str | Path | None = None,
    config: TrainConfig | None = None,
    frames: int | None = None,
    out: str | Path | None = None,
    device: str | None = None,
    grafts: str | Path | None = None,
    graft_frames: int = 480,
    measured: int = 0,
) -> dict[str, Any]:
    """Figures on rendered frames, as `evaluate` gives them, on grafted ones under "grafted", and
    of network and measures on the same files under "measured".

    grafts: folder of real good frames, None = none. graft_frames: how many frames to graft.
    measured: how many frames to render to files and label. The rest as in `evaluate`. Raises
    ModelError and UsageError.
    """
    figures = evaluate(model, config, frames, device=device)
    if grafts is not None:
        loaded = load_model(model)
        seed = (config or settings_of(loaded)).seed
        figures["grafted"] = grafted_figures(loaded, Path(grafts), graft_frames, seed)
    if measured:
        loaded = load_model(model)
        seed = (config or settings_of(loaded)).seed
        figures["measured"] = measured_figures(loaded, measured, seed)
    if out is not None:
        write_figures(figures, Path(out))
    return figures


def grafted_figures(model: Model, folder: Path, frames: int, seed: int) -> dict[str, Any]:
    """Figures on faults grafted onto the folder's good frames, intervals over groups of sources.

    A model that was trained with grafts is judged on groups kept from training, others on all.
    """
    used = model.config["training"].get("settings", {}).get("grafts")
    sources, notes = good_frames(folder, "evaluation" if used else None)
    answers = Answers.cat([answer(model, sample) for sample in grafted(sources, seed, frames)])
    names = sorted({source.group for source in sources})
    return figures_of(model, answers, seed) | {
        "sources": len(sources),
        "notes": notes,
        "false_by_group": {
            name: false_labels(model, answers, answers.run == number)
            for number, name in enumerate(names)
        },
    }


def false_labels(model: Model, answers: Answers, rows: NDArray[np.bool_]) -> dict[str, float]:
    """Of some frames, the share of those free of a fault that are given its label; above 0 only."""
    confidences = model.confidences(torch.from_numpy(answers.beside[rows])).numpy()
    given = confidences >= np.array([model.thresholds[key] for key in KEYS])
    free = answers.targets[rows] == 0
    shares = (given & free).sum(0) / np.maximum(free.sum(0), 1)
    return {key: float(share) for key, share in zip(KEYS, shares, strict=True) if share > 0}
