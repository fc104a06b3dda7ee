"""What a trained network said of the held-out frames, kept, and a model calibrated from it anew.

    python -m training.recalibrate DIR/NAME.npz DIR/NAME

Training keeps the answers beside the model folder. From them calibration and thresholds of the
folder and what familiar frames look like are fitted again, with another allowance of false labels
for instance, and its figures and card written again: no GPU and no frame is needed. Figures on
grafted and real frames and beside measures go by the former thresholds, so they are taken out;
`nightcull evaluate --card` puts new ones in.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated
from zipfile import BadZipFile

import numpy as np
import typer

from classifier.errors import NightcullError, UsageError
from classifier.weights import WEIGHTS_FILE, file_sha256, load_model
from training.answers import Answers
from training.calibrate import Familiar
from training.card import card_text
from training.data import CALIBRATION, CLEAN, EVALUATION
from training.evaluate import read_figures, settings_of, write_figures
from training.export import (
    EVALUATION_FILE,
    calibrated,
    write_card,
    write_config,
    write_weights,
)
from training.figures import figures_of

ARRAYS = ("features", "beside", "alone", "strength", "run")
RANKED = "ablation"  # figures that no threshold changes


def keep_answers(sets: Mapping[str, Answers | None], sha256: str, path: Path) -> None:
    """Write the answers on each set, in the form of `Answers`, and the sha256 of the weights."""
    arrays = {
        f"{name}/{array}": getattr(answers, array)
        for name, answers in sets.items()
        if answers is not None
        for array in ARRAYS
    }
    np.savez_compressed(path, allow_pickle=False, weights_sha256=np.array(sha256), **arrays)


def kept_answers(path: Path, sha256: str) -> dict[str, Answers]:
    """Answers as kept. Raises UsageError where they cannot be read or are of other weights."""
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = dict(file)
    except (OSError, ValueError, BadZipFile) as error:
        raise UsageError(
            f"The answers {path} cannot be read ({error}); give the .npz file that a training "
            "wrote beside its model folder."
        ) from error
    if str(arrays.get("weights_sha256")) != sha256:
        raise UsageError(
            f"The answers {path} are those of other weights than the model has; give the .npz "
            "file and the model folder of one training."
        )
    names = sorted({name.split("/")[0] for name in arrays if "/" in name})
    return {name: Answers(*(arrays[f"{name}/{array}"] for array in ARRAYS)) for name in names}


def recalibrate(answers: Path, folder: Path, clean_alarms: float | None = None) -> Path:
    """Fit calibration and thresholds of a model folder again; returns its card.

    clean_alarms: share of clean frames that may get a label; None = as the model was trained with.
    Raises ModelError and UsageError.
    """
    model = load_model(folder)
    settings = settings_of(model).changed(clean_alarms=clean_alarms)
    kept = kept_answers(answers, model.sha256)
    fitted = calibrated(model.network, kept[CALIBRATION], settings, kept.get(CLEAN))
    familiar: Familiar = fitted.pop("familiar")
    write_weights(model.folder, model.network, familiar.centre, familiar.whitening)
    sha256 = file_sha256(model.folder / WEIGHTS_FILE)
    config = model.config | fitted | familiar.marks() | {"weights_sha256": sha256}
    config["training"]["settings"]["clean_alarms"] = settings.clean_alarms
    write_config(model.folder, config)
    path = model.folder / EVALUATION_FILE
    before = read_figures(path) if path.is_file() else {}
    figures = figures_of(load_model(folder), kept[EVALUATION], settings.seed)
    same = {RANKED: before[RANKED]} if RANKED in before else {}
    write_figures(figures | same, path)
    write_card(model.folder, card_text(config, read_figures(path)))
    keep_answers(kept, sha256, answers)  # of the weights' file as it is now
    return model.folder / "card.md"


app = typer.Typer(add_completion=False)


@app.command()
def main(
    answers: Annotated[Path, typer.Argument(help="The .npz file that the training wrote.")],
    model: Annotated[Path, typer.Argument(help="Model folder of the same training.")],
    clean_alarms: Annotated[
        float | None, typer.Option(help="Share of clean frames that may get a label.")
    ] = None,
) -> None:
    """Fit calibration and thresholds of a model folder again, from answers that were kept."""
    try:
        typer.echo(recalibrate(answers, model, clean_alarms))
    except NightcullError as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from error


if __name__ == "__main__":
    app()
