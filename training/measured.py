"""The measures as a model of their own, and what they add to the network.

    figures = measured_figures(model, frames=480, seed=1)

Frames are rendered to files in whole runs and labelled as any night is, so that network and
measures say exactly what they say to a photographer. Then five answers are scored on the same
frames: the network's, the measures' own verdicts (`scores.standing`), a forest on everything
measured (`forests`), network and verdicts weighed (paired), and all three together. Every fitted
answer is for runs that its fit has not seen; the network has seen none of them. As every part of
the runs is answered by a fit of its own, figures are means over the parts, for all answers alike.

This judges; what `label` uses does not come from here.
"""

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch
from numpy.typing import NDArray

from classifier.vocabulary import KEYS
from synth.files import read_truth
from synth.generate import RUN_FRAMES
from synth.render import render
from synth.rng import seed_of
from training.calibrate import is_clear, is_told_apart
from training.data import targets_of
from training.draws import Draws
from training.forests import TREES, Fitted, cross_fitted
from training.metrics import (
    average_precision_score,
    bootstrap_interval,
    recall_at_false_alarms_score,
)
from training.overview import overview
from training.real_frames import outcome_of

if TYPE_CHECKING:
    from classifier.results import FrameResult, Results
    from classifier.weights import Model

Array = NDArray[np.float64]
Progress = Callable[[int, int, str], None]
WIDTH_PX, HEIGHT_PX = 1280, 960
ANSWERS = ("network", "verdicts", "forest", "paired", "together")
FITTED = ("forest", "paired", "together")
JOINED = ("paired", "together")
# Of a frame's numbers, those that its header tells: a forest would learn the rigs by them.
HEADER = ("exposure_s", "temperature_c", "altitude_deg", "scale_arcsec", "time_mjd")
STATES = {"no": -1.0, "unknown": 0.0, "yes": 1.0}
FALSE_ALARMS = 0.01
LEAST_RUNS = 3
_SURE = 1e-7  # confidences nearer to 0 or 1 say no more


@dataclass(frozen=True)
class Measured:
    """What is known of N labelled frames.

    table (N, F): numbers and evidence, NaN unknown, called `columns`. network (N, 16): logits of
    the confidences. verdicts (N, 16): how far each measure speaks for its fault. strength
    (N, 16): the truth, NaN left out. run (N,): frames of one run share rig and field.
    """

    table: Array
    columns: tuple[str, ...]
    network: Array
    verdicts: Array
    strength: Array
    run: NDArray[np.int64]


def measured_figures(
    model: "Model",
    frames: int,
    seed: int,
    size_px: tuple[int, int] = (WIDTH_PX, HEIGHT_PX),
    progress: Progress = lambda *_: None,
    trees: int = TREES,
) -> dict[str, Any]:
    """Render, label and score `frames` frames of width and height `size_px`; needs room for them
    in the temporary folder while it runs. trees: of each forest."""
    from classifier.label import label_night

    own = seed_of(seed, "measured")
    with tempfile.TemporaryDirectory(prefix="nightcull-") as place:
        folder = Path(place) / "subs"
        render(folder, frames, None, *size_px, seed=own, batch_frames=RUN_FRAMES)
        results = label_night([folder], None, model, 1, progress)
        known = gather(results, read_truth(folder))
    return figures_of(known, seed, trees) | {
        "model": model.name,
        "weights_sha256": model.sha256,
        "overview": labelled_figures(model, results, known, seed),
    }


def labelled_figures(
    model: "Model", results: "Results", known: Measured, seed: int
) -> dict[str, Any]:
    """What rendered frames have in common with real ones (`overview`), labelled as those are: with
    everything measured, so that the verdicts are whole."""
    targets = targets_of(torch.from_numpy(known.strength)).double().numpy()
    scored = [is_clear(targets[:, c]) & is_told_apart(known.strength, c) for c in range(len(KEYS))]
    outcome = outcome_of(
        [frame for frame in results.frames if not frame.error],
        targets,
        known.run,
        ~np.isnan(targets).all(1),
        np.stack(scored, axis=1),
    )
    rng = np.random.default_rng(seed)
    return overview(outcome, model.config["prior"], Draws(known.run, rng), rng)


def gather(results: "Results", rows: Sequence[dict[str, Any]]) -> Measured:
    """Labelled rendered frames and the rows of their truth.csv, in any order -> Measured.

    Frames that could not be read are left out. Raises KeyError for a frame without a row.
    """
    from classifier.scores import standing

    truth = {row["file"]: row for row in rows}
    frames = [frame for frame in results.frames if not frame.error]
    told = [truth[frame.path] for frame in frames]
    table, columns = table_of(frames)
    confidence = np.array([[frame.confidence[key] for key in KEYS] for frame in frames])
    confidence = np.clip(confidence, _SURE, 1 - _SURE)
    return Measured(
        table,
        columns,
        np.log(confidence / (1 - confidence)),
        np.array([[standing(key, frame.evidence[key]) for key in KEYS] for frame in frames]),
        np.array([[row[key] for key in KEYS] for row in told]),
        np.array([1000 * row["index"] + row["run"] for row in told]),
    )


def table_of(frames: "Sequence[FrameResult]") -> tuple[Array, tuple[str, ...]]:
    """(N, F) everything measured, and the names of the columns.

    First each number, value of evidence and state (-1 no, 0 unknown, 1 yes); then the numbers and
    values against the median of the frame's run, on a scale that is linear near 0 and
    logarithmic beyond, where it tells ratios.
    """
    named = sorted({name for frame in frames for name in frame.numbers} - set(HEADER))
    values = [[_value(frame.numbers.get(name)) for name in named] for frame in frames]
    found = [[_value(frame.evidence[key]["value"]) for key in KEYS] for frame in frames]
    states = [[STATES[frame.evidence[key]["state"]] for key in KEYS] for frame in frames]
    own = np.hstack([np.array(values, float).reshape(len(frames), -1), np.array(found)])
    relative = against_run(own, [frame.run for frame in frames])
    own_names = [*named, *(f"{key} value" for key in KEYS)]
    names = [*own_names, *(f"{key} state" for key in KEYS), *(f"{n} in its run" for n in own_names)]
    return np.hstack([own, np.array(states), relative]), tuple(names)


def against_run(own: Array, runs: Sequence[str]) -> Array:
    """(N, F) values less the median of their run, both on the scale of `table_of`."""
    scaled = np.sign(own) * np.log1p(np.abs(own))
    relative = np.full_like(scaled, np.nan)
    names = np.array(runs)
    for name in dict.fromkeys(runs):
        inside = np.flatnonzero(names == name)
        for column in range(own.shape[1]):
            part = scaled[inside, column]
            if np.isfinite(part).any():
                relative[inside, column] = part - np.nanmedian(part)
    return relative


def _value(number: float | None) -> float:
    return float(number) if number is not None and np.isfinite(number) else np.nan


def figures_of(known: Measured, seed: int, trees: int = TREES) -> dict[str, Any]:
    """All figures; intervals at 95 % over runs.

    `gain`: of the joined answers, what their average precision is above the network's on the same
    frames. Left out are faults that hold in fewer than `LEAST_RUNS` runs: no other run could
    teach them.
    """
    targets = targets_of(torch.from_numpy(known.strength)).double().numpy()
    rng, run = np.random.default_rng(seed), known.run
    scored = [
        np.flatnonzero(is_clear(targets[:, column]) & is_told_apart(known.strength, column))
        for column in range(len(KEYS))
    ]
    answers = {name: np.full_like(targets, np.nan) for name in ANSWERS}
    answers["network"], answers["verdicts"] = known.network, known.verdicts
    part = np.full(targets.shape, -1)  # -1 = not scored
    leading = {}
    used = [c for c in range(len(KEYS)) if _is_learnable(targets[scored[c], c], run[scored[c]])]
    for column in used:
        rows = scored[column]
        fitted = cross_fitted(
            known.table[rows],
            targets[rows, column] > 0.5,
            known.network[rows, column],
            known.verdicts[rows, column],
            run[rows],
            seed,
            trees,
        )
        for name in FITTED:
            answers[name][rows, column] = getattr(fitted, name)
        part[rows, column] = fitted.part
        leading[column] = _leading(fitted, known.columns)
    return {
        "frames": len(run),
        "runs": len(np.unique(run)),
        "macro_average_precision": _macro(run, targets, part, used, answers, rng),
        "faults": {
            KEYS[column]: _fault_figures(
                targets[scored[column], column] > 0.5,
                {name: answers[name][scored[column], column] for name in ANSWERS},
                part[scored[column], column],
                run[scored[column]],
                rng,
            )
            | {"leading": leading[column]}
            for column in used
        },
    }


def _is_learnable(target: Array, run: NDArray[np.int64]) -> bool:
    return all(len(np.unique(run[target == kind])) >= LEAST_RUNS for kind in (0.0, 1.0))


def by_part(
    figure: Callable[[NDArray[np.bool_], Array], float],
    truth: NDArray[np.bool_],
    answer: Array,
    part: NDArray[np.int64],
) -> float:
    """Mean of a figure over the parts that can give it; NaN if none can."""
    each = [figure(truth[part == number], answer[part == number]) for number in np.unique(part)]
    known = [value for value in each if np.isfinite(value)]
    return float(np.mean(known)) if known else float("nan")


def _recall(truth: NDArray[np.bool_], answer: Array) -> float:
    return recall_at_false_alarms_score(truth, answer, FALSE_ALARMS)


def _fault_figures(
    truth: NDArray[np.bool_],
    answers: dict[str, Array],
    part: NDArray[np.int64],
    run: NDArray[np.int64],
    rng: np.random.Generator,
) -> dict[str, Any]:
    def precision(name: str, rows: NDArray[np.intp]) -> float:
        return by_part(average_precision_score, truth[rows], answers[name][rows], part[rows])

    figures: dict[str, Any] = {"positives": int(truth.sum()), "negatives": int((~truth).sum())}
    for name, answer in answers.items():
        figures[name] = {
            "average_precision": precision(name, np.arange(len(truth))),
            "interval": bootstrap_interval(partial(precision, name), run, rng),
            "recall_at_1pct_false_alarms": by_part(_recall, truth, answer, part),
        }
    return figures | {"gain": _gains(precision, run, rng)}


def _gains(
    precision: Callable[[str, NDArray[np.intp]], float],
    run: NDArray[np.int64],
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Of the joined answers, what they are above the network on the same frames."""

    def gain(name: str, rows: NDArray[np.intp]) -> float:
        return precision(name, rows) - precision("network", rows)

    return {
        name: {
            "value": gain(name, np.arange(len(run))),
            "interval": bootstrap_interval(partial(gain, name), run, rng),
        }
        for name in JOINED
    }


def _macro(
    run: NDArray[np.int64],
    targets: Array,
    part: NDArray[np.int64],
    used: list[int],
    answers: dict[str, Array],
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Mean over the faults, of each answer and of the gain."""

    def mean(name: str, rows: NDArray[np.intp]) -> float:
        each = []
        for column in used:
            kept = rows[part[rows, column] >= 0]
            truth = targets[kept, column] > 0.5
            each.append(
                by_part(
                    average_precision_score, truth, answers[name][kept, column], part[kept, column]
                )
            )
        known = [value for value in each if np.isfinite(value)]
        return float(np.mean(known)) if known else float("nan")

    figures: dict[str, Any] = {
        name: {
            "value": mean(name, np.arange(len(run))),
            "interval": bootstrap_interval(partial(mean, name), run, rng),
        }
        for name in ANSWERS
    }
    return figures | {"gain": _gains(mean, run, rng)}


def _leading(fitted: Fitted, columns: Sequence[str], count: int = 3) -> list[str]:
    """What the forest leans on most."""
    order = np.argsort(-fitted.importance)[:count]
    return [columns[i] for i in order if fitted.importance[i] > 0]
