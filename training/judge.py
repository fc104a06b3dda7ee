"""A model judged on rendered, grafted and real labelled frames, and beside the measures.

The command `nightcull evaluate` is this. Figures on rendered frames come from `evaluate`, or, with
no frames asked for, from the file that training wrote into the model's folder. `record` puts
figures into that folder, and the card is written anew from them.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from classifier.errors import UsageError
from classifier.results import write_whole
from classifier.vocabulary import KEYS
from classifier.weights import CARD_FILE, Model, load_model
from training.answers import Answers, answer
from training.card import card_text
from training.config import TrainConfig
from training.evaluate import evaluate, figures_text, read_figures, settings_of
from training.evaluation_page import write_page
from training.export import EVALUATION_FILE
from training.figures import SCHEMA, figures_of
from training.good_frames import LEAVE_STARS, good_frames
from training.grafts import grafted
from training.measured import measured_figures
from training.real_frames import real_figures

Say = Callable[[str], None]
PARTS = ("grafted", "real", "measured", "former")
# What names files and folders of whoever judged: it does not go into a model's folder.
PRIVATE = ("notes", "false_by_group", "judged_wrong")


@dataclass(frozen=True)
class Wanted:
    """What to judge a model on, and where the figures go.

    frames: rendered ones, None = as many as the model's settings say, 0 = the figures in the
    model's folder. grafts: folder of real good frames, graft_frames: how many to graft. real:
    folder of real frames and truth: their table. measured: frames to render to files and label.
    out: JSON file, page: HTML file; neither is written over. page None = beside `out`. card:
    put the figures into the model's folder too, and write its card from them. former: another
    model to judge the same rendered frames.
    """

    frames: int | None = None
    grafts: Path | None = None
    graft_frames: int = 480
    real: Path | None = None
    truth: Path | None = None
    measured: int = 0
    out: Path | None = None
    page: Path | None = None
    card: bool = False
    former: str | Path | None = None

    def __post_init__(self) -> None:
        if self.former is not None and self.frames == 0:
            raise UsageError(
                "Two models are compared on the same rendered frames, and --frames 0 renders none; "
                "leave --frames or --beside out."
            )
        if (self.real is None) != (self.truth is None):
            raise UsageError(
                "Real frames and their truth go together: give --real FOLDER and --truth "
                "TRUTH.csv, or neither."
            )
        for path in (self.out, self.page_path):
            if path is not None and path.exists():
                raise UsageError(f"{path} exists already and is not written over; name another.")

    @property
    def page_path(self) -> Path | None:
        """Where the page goes, if there is to be one."""
        return self.page or (self.out.with_suffix(".html") if self.out else None)


def judge(
    model: str | Path | None = None,
    wanted: Wanted | None = None,
    config: TrainConfig | None = None,
    device: str | None = None,
    say: Say = lambda line: None,
) -> dict[str, Any]:
    """Figures on rendered frames, as `evaluate` gives them, with a former model's under "former";
    on grafted ones under "grafted", on real ones under "real", and of network and measures on the
    same files under "measured".

    config, device: as in `evaluate`. say: gets a line as each part begins. Raises ModelError and
    UsageError.
    """
    wanted = wanted or Wanted()
    loaded = load_model(model)
    seed = (config or settings_of(loaded)).seed
    if wanted.frames == 0:
        figures = own_figures(loaded)
    else:
        say("rendering frames and judging them")
        figures = evaluate(model, config, wanted.frames, device=device, former=wanted.former)
    _keep(figures, wanted.out)
    if wanted.grafts is not None:
        say(f"grafting faults onto the frames of {wanted.grafts} and judging them")
        figures["grafted"] = grafted_figures(loaded, wanted.grafts, wanted.graft_frames, seed)
        _keep(figures, wanted.out)
    if wanted.real is not None and wanted.truth is not None:
        say(f"labelling the frames of {wanted.real}")
        figures["real"] = real_figures(loaded, wanted.real, wanted.truth, seed)
        _keep(figures, wanted.out)
    if wanted.measured:
        say("rendering files and labelling them")
        figures["measured"] = measured_figures(loaded, wanted.measured, seed)
        _keep(figures, wanted.out)
    if wanted.page_path is not None:
        write_page(figures, wanted.page_path)
    if wanted.card:
        record(loaded, figures)
    return figures


def _keep(figures: dict[str, Any], out: Path | None) -> None:
    """What is done is written at once: a later part that fails costs nobody the hours before."""
    if out is not None:
        out.parent.mkdir(parents=True, exist_ok=True)
        write_whole(out, figures_text(figures))


def own_figures(model: Model) -> dict[str, Any]:
    """The figures in a model's folder. Raises UsageError where they are not of this model."""
    path = model.folder / EVALUATION_FILE
    try:
        figures = read_figures(path)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"The model {model.name} has no figures of its own ({error}); render frames to judge "
            "it on: give --frames a number above 0."
        ) from error
    if figures.get("weights_sha256") != model.sha256 or figures.get("schema") != SCHEMA:
        raise UsageError(
            f"{path} holds figures of other weights or of another version than those of the model "
            f"{model.name}; render frames to judge it on: give --frames a number above 0."
        )
    return figures


def record(model: Model, figures: dict[str, Any]) -> Path:
    """Put figures into the model's folder and write its card from the file; returns the card.

    Figures on grafted or real frames and beside measures that were there and are not worked out
    anew stay. Nothing that names files or folders goes in. Raises UsageError where the folder
    cannot be written.
    """
    try:
        before = {name: part for name, part in own_figures(model).items() if name in PARTS}
    except UsageError:
        before = {}
    path, card = model.folder / EVALUATION_FILE, model.folder / CARD_FILE
    try:
        write_whole(path, figures_text(without_names(before | figures)))
        # Of the figures as written, so that the card can be made again from the file.
        write_whole(card, card_text(model.config, read_figures(path)))
    except OSError as error:
        raise UsageError(
            f"The model folder {model.folder} cannot be written ({error.strerror}); copy it to "
            "where you may write and give --model the copy."
        ) from error
    return card


def without_names(figures: dict[str, Any]) -> dict[str, Any]:
    """Figures without the names of anybody's files and folders."""
    return {
        name: {k: v for k, v in part.items() if k not in PRIVATE} if name in PARTS else part
        for name, part in figures.items()
    }


def grafted_figures(model: Model, folder: Path, frames: int, seed: int) -> dict[str, Any]:
    """Figures on faults grafted onto the folder's good frames, intervals over groups of sources.

    A model that was trained with grafts is judged on groups kept from training, others on all.
    """
    used = learnt_from_grafts(model.config["training"])
    sources, notes = good_frames(folder, "evaluation" if used else None, LEAVE_STARS)
    made = grafted(sources, seed, frames, model.network.config.lines)
    answers = Answers.cat([answer(model, sample) for sample in made])
    names = sorted({source.group for source in sources})
    return figures_of(model, answers, seed) | {
        "sources": len(sources),
        "notes": notes,
        "false_by_group": {
            name: false_labels(model, answers, answers.run == number)
            for number, name in enumerate(names)
        },
    }


def learnt_from_grafts(made: dict[str, Any]) -> bool:
    """Whether a model, or one that its training went on from, has learnt from grafted frames, by
    the record of its training."""
    if made.get("settings", {}).get("graft_share", 0) > 0:
        return True
    return "started_from" in made and learnt_from_grafts(made["started_from"])


def false_labels(model: Model, answers: Answers, rows: NDArray[np.bool_]) -> dict[str, float]:
    """Of some frames, the share of those free of a fault that are given its label; above 0 only."""
    confidences = model.confidences(torch.from_numpy(answers.beside[rows])).numpy()
    given = confidences >= np.array([model.thresholds[key] for key in KEYS])
    free = answers.targets[rows] == 0
    shares = (given & free).sum(0) / np.maximum(free.sum(0), 1)
    return {key: float(share) for key, share in zip(KEYS, shares, strict=True) if share > 0}
