"""A model judged on real frames that somebody has labelled.

    figures = real_figures(model, folder, truth, seed=1)

The frames take the same path as in `nightcull label`: read, measured, judged beside their run,
given a verdict. What is true of them stands in a table (`classifier.truth`). Frames of one
folder are alike, so intervals resample folders: the first part of a frame's path, or its run
where all lie together. No strength is known, so nothing is said of curves or of slight faults.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from classifier.results import FrameResult, Results
from classifier.truth import Truth, read_truth
from classifier.vocabulary import KEYS, Verdict
from classifier.weights import Model
from classifier.wording import counted
from training.draws import Draws
from training.figures import confusion, strange_figures
from training.overview import Outcome, is_clean, overview, placed

Array = NDArray[np.float64]
Progress = Callable[[int, int, str], None]


def real_figures(
    model: Model,
    folder: Path,
    truth: Path,
    seed: int,
    workers: int | None = None,
    progress: Progress = lambda *_: None,
) -> dict[str, Any]:
    """Label the folder's frames and score them. Raises UsageError where there is no frame, or the
    table is none, or is about none of them."""
    from classifier.frame import find_frames
    from classifier.label import label_night

    # What is wrong with the table is told before an hour of labelling.
    read_truth(truth, [name for _, name in find_frames([folder])])
    results = label_night([folder], None, model, workers, progress)
    return figures_of_results(model, results, truth, seed)


def figures_of_results(model: Model, results: Results, truth: Path, seed: int) -> dict[str, Any]:
    """Frames as labelled and their table of truth -> figures; `notes` says what was left out."""
    skipped = [entry["path"] for entry in results.skipped]
    table = read_truth(truth, [*(frame.path for frame in results.frames), *skipped])
    frames = [frame for frame in results.frames if frame.path in table.rows and not frame.error]
    told = [table.rows[frame.path] for frame in frames]
    outcome = outcome_of(
        frames,
        np.array([[_target(row.of(key)) for key in KEYS] for row in told]).reshape(-1, len(KEYS)),
        np.array([group_of(frame) for frame in frames]),
        np.array([not row.unfamiliar for row in told], bool),
    )
    rng = np.random.default_rng(seed)
    draws = Draws(outcome.group, rng)
    strange = np.array([frame.unfamiliar for frame in frames], float)
    unread = sum(frame.error is not None and frame.path in table.rows for frame in results.frames)
    return {
        "frames": len(frames),
        "runs": draws.groups,
        "notes": [*table.notes, *_left_out(unread, len(skipped))],
        "overview": overview(outcome, model.config["prior"], draws, rng),
        **strange_figures(strange, model.config["unfamiliar_threshold"], outcome.is_sky, draws),
        **confusion(outcome.targets, outcome.given, draws),
        "judged_wrong": judged_wrong(frames, told, outcome),
    }


def outcome_of(
    frames: Sequence[FrameResult],
    targets: Array,
    group: NDArray[Any],
    is_sky: NDArray[np.bool_],
    scored: NDArray[np.bool_] | None = None,
) -> Outcome:
    """Labelled frames and what is true of them -> Outcome. scored: None = all that is known."""
    shown = np.array([[frame.confidence[key] for key in KEYS] for frame in frames], float)
    shown = shown.reshape(-1, len(KEYS))
    given = np.array([[key in frame.faults for key in KEYS] for frame in frames], bool)
    return Outcome(
        rank=shown,
        shown=shown,
        given=given.reshape(-1, len(KEYS)),
        targets=targets,
        scored=~np.isnan(targets) if scored is None else scored,
        group=group,
        verdict=np.array([str(frame.verdict) for frame in frames], dtype="<U4"),
        is_sky=is_sky,
    )


def group_of(frame: FrameResult) -> str:
    """What a frame is resampled with: the folder it lies in, or its run."""
    first, _, rest = frame.path.partition("/")
    return first if rest else frame.run


def judged_wrong(
    frames: Sequence[FrameResult], told: Sequence[Truth], outcome: Outcome
) -> list[dict[str, Any]]:
    """The frames that a person should look at: clean ones not kept or given a false label, faulty
    ones whose fault is not in the first two places, and other things not looked at."""
    clean, right = is_clean(outcome), placed(outcome)
    false = (outcome.given & (outcome.targets == 0)).any(1)
    faulty = (outcome.targets == 1).any(1)
    kept, looked = outcome.verdict == Verdict.KEEP, outcome.verdict == Verdict.LOOK
    wrong = clean & (~kept | false) | faulty & ~right | ~outcome.is_sky & ~looked
    return [
        {
            "path": frames[row].path,
            "truth": "no star field"
            if told[row].unfamiliar
            else " ".join(sorted(told[row].labels)),
            "labels": " ".join(frames[row].faults),
            "verdict": str(frames[row].verdict),
            "why": frames[row].why,
        }
        for row in np.flatnonzero(wrong).tolist()
    ]


def _target(is_so: bool | None) -> float:
    return float("nan") if is_so is None else float(is_so)


def _left_out(unread: int, skipped: int) -> list[str]:
    notes = []
    if unread:
        notes.append(f"{counted(unread, 'frame')} could not be read and not be scored.")
    if skipped:
        notes.append(
            f"{counted(skipped, 'calibration frame')} by header: not labelled, not scored."
        )
    return notes
