"""A model judged on rendered frames and on faults grafted onto real ones, side by side.

The command `nightcull evaluate` is this function; the card's figures, on rendered frames alone,
come from `evaluate`.
"""

from pathlib import Path
from typing import Any

from classifier.weights import Model, load_model
from training.config import TrainConfig
from training.evaluate import Answers, answer, evaluate, figures_of, settings_of, write_figures
from training.good_frames import good_frames
from training.grafts import grafted


def judge(
    model: str | Path | None = None,
    config: TrainConfig | None = None,
    frames: int | None = None,
    out: str | Path | None = None,
    device: str | None = None,
    grafts: str | Path | None = None,
    graft_frames: int = 480,
) -> dict[str, Any]:
    """Figures on rendered frames, as `evaluate` gives them, and on grafted ones under "grafted".

    grafts: folder of real good frames, None = rendered frames only. graft_frames: how many frames
    to graft. The rest as in `evaluate`. Raises ModelError and UsageError.
    """
    figures = evaluate(model, config, frames, device=device)
    if grafts is not None:
        loaded = load_model(model)
        seed = (config or settings_of(loaded)).seed
        figures["grafted"] = grafted_figures(loaded, Path(grafts), graft_frames, seed)
    if out is not None:
        write_figures(figures, Path(out))
    return figures


def grafted_figures(model: Model, folder: Path, frames: int, seed: int) -> dict[str, Any]:
    """Figures on faults grafted onto the folder's good frames, intervals over groups of sources.

    A model that was trained with grafts is judged on groups kept from training, others on all.
    """
    used = model.config["training"].get("settings", {}).get("grafts")
    sources, notes = good_frames(folder, "evaluation" if used else None)
    parts = [answer(model, sample) for sample in grafted(sources, seed, frames)]
    figures = figures_of(model, Answers.cat(parts), seed)
    return figures | {"sources": len(sources), "notes": notes}
