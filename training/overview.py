"""The figures that rendered, grafted and real frames have in common, made by one code.

An `Outcome` is what was said of some frames and what is true of them, wherever they come from:
tensors that only the network has seen (`of_answers`), or files labelled as a photographer's are
(`training.real_frames`). `overview` gives average precision per fault, whether the right label
comes in first or second place, false labels on clean frames, calibration and verdicts, each with
an interval over groups of frames (runs, or folders of real frames).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from classifier.opinion import Levels, Opinion
from classifier.verdict import judge_run
from classifier.vocabulary import FAULTS, KEYS, Effect, Verdict
from classifier.weights import Model
from training.answers import Answers
from training.calibrate import is_clear, is_told_apart
from training.draws import (
    LEAST_GROUPS,
    Draws,
    average_precision,
    calibration_error,
    mean_of,
)
from training.metrics import calibration_floor

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

FIRST_PLACES = 2
FLOOR_DRAWS = 20
SPOILS = np.array([row.effect is Effect.SPOILS for row in FAULTS])
LEFT_OUT = (
    "Judged by the network alone, as nothing was measured: a fault under 90 % never costs a sub, "
    "no measure bears a label out or contradicts it, a gradient never costs a sub (its noise "
    "against the run is not known), and no frame is looked at for having no stars. The run of a "
    "grafted frame is its group of sources."
)


@dataclass(frozen=True)
class Outcome:
    """What was said of N frames, and what is true of them.

    rank (N, 16): higher = more likely, to order frames by. shown (N, 16): confidences at the
    model's prior. given (N, 16): labels given. targets (N, 16): 0 free of it, 1 has it, NaN
    unknown, between them too slight to score. scored (N, 16): where a label is scored singly.
    group (N,): what is resampled as a whole. verdict (N,): keep, look or drop. is_sky (N,):
    False for what is no star field. left_out: what the verdicts could not go by; "" = nothing.
    """

    rank: Array
    shown: Array
    given: Mask
    targets: Array
    scored: Mask
    group: NDArray[Any]
    verdict: NDArray[np.str_]
    is_sky: Mask
    left_out: str = ""


def of_answers(model: Model, answers: Answers) -> Outcome:
    """The outcome of frames that only the network has seen."""
    shown = model.confidences(torch.from_numpy(answers.beside)).double().numpy()
    scored = np.stack(
        [
            is_clear(answers.targets[:, column]) & is_told_apart(answers.strength, column)
            for column in range(len(KEYS))
        ],
        axis=1,
    )
    return Outcome(
        rank=answers.beside.astype(float),
        shown=shown,
        given=shown >= np.array([model.thresholds[key] for key in KEYS]),
        targets=answers.targets,
        scored=scored,
        group=answers.run,
        verdict=verdicts(model, shown, answers),
        is_sky=answers.is_sky,
        left_out=LEFT_OUT,
    )


def verdicts(model: Model, shown: Array, answers: Answers) -> NDArray[np.str_]:
    """(N,) verdicts of `classifier.verdict` on frames without measures, run by run."""
    levels = Levels(model.thresholds, model.unsure, model.config["unfamiliar_threshold"])
    strange = model.unfamiliar(torch.from_numpy(answers.features)).tolist()
    found = np.empty(len(shown), dtype="<U4")
    for run in np.unique(answers.run):
        rows = np.nonzero(answers.run == run)[0]
        opinions = [
            Opinion(dict(zip(KEYS, shown[row].tolist(), strict=True)), {}, strange[row])
            for row in rows
        ]
        found[rows] = [judgement.verdict for judgement in judge_run(opinions, levels)]
    return found


def overview(
    outcome: Outcome, prior: dict[str, float], draws: Draws, rng: np.random.Generator
) -> dict[str, Any]:
    """All figures that any outcome can give. prior: the model's, at which `shown` holds."""
    clean = is_clean(outcome)
    faulty = (outcome.targets == 1).any(1)
    right = placed(outcome)
    right_given = right & (outcome.given & (outcome.targets == 1)).any(1)
    false = outcome.given & (outcome.targets == 0)
    precision = [_precision(outcome, draws, column) for column in range(len(KEYS))]
    return {
        "frames": len(outcome.group),
        "groups": draws.groups,
        "clean_frames": int(clean.sum()),
        "faulty_frames": int(faulty.sum()),
        "macro_average_precision": draws.estimate(mean_of(precision)),
        "right_in_first_two": draws.proportion(right, faulty),
        "right_in_first_two_and_given": draws.proportion(right_given, faulty),
        "clean_with_false_label": draws.proportion(false.any(1), clean),
        "clean_kept": draws.proportion(outcome.verdict == Verdict.KEEP, clean),
        "clean_dropped": draws.proportion(outcome.verdict == Verdict.DROP, clean),
        "classwise_calibration_error": _calibration(outcome, prior, draws, rng),
        "verdicts": verdict_table(outcome, draws),
        "verdicts_left_out": outcome.left_out,
        "faults": {
            key: _fault(outcome, column, precision[column], clean, draws)
            for column, key in enumerate(KEYS)
        },
    }


def is_clean(outcome: Outcome) -> Mask:
    """(N,) star fields without any fault, not even a slight one; some may be unknown."""
    return outcome.is_sky & ~(outcome.targets > 0).any(1)


def placed(outcome: Outcome) -> Mask:
    """(N,) whether a fault that the frame has is among its two highest confidences.

    Faults that nobody can tell of the frame take no place.
    """
    known = np.where(np.isnan(outcome.targets), -np.inf, outcome.shown)
    best = np.argsort(-known, axis=1, kind="stable")[:, :FIRST_PLACES]
    return np.asarray((np.take_along_axis(outcome.targets, best, axis=1) == 1).any(1))


def _precision(outcome: Outcome, draws: Draws, column: int) -> Array:
    rows = outcome.scored[:, column]
    truth = outcome.targets[rows, column] == 1
    return average_precision(draws.of(rows), truth, outcome.rank[rows, column])


def _fault(
    outcome: Outcome, column: int, precision: Array, clean: Mask, draws: Draws
) -> dict[str, Any]:
    rows, given = outcome.scored[:, column], outcome.given[:, column]
    has, lacks = rows & (outcome.targets[:, column] == 1), rows & (outcome.targets[:, column] == 0)
    estimate = draws.estimate(precision)
    if len(np.unique(draws.which[has])) < LEAST_GROUPS:
        estimate |= {"low": float("nan"), "high": float("nan")}
    return {
        "positives": int(has.sum()),
        "negatives": int(lacks.sum()),
        "average_precision": estimate,
        "recall": draws.proportion(given, has),
        "false_alarms": draws.proportion(given, lacks),
        "false_alarms_on_clean": draws.proportion(given, clean & lacks),
    }


def prior_weights(truth: Mask, prior: float) -> Array:
    """Weights with which positives make up the share `prior`."""
    share = truth.mean() if len(truth) else 0.0
    if not 0 < share < 1:
        return np.ones(len(truth))
    return np.where(truth, prior / share, (1 - prior) / (1 - share))


def _calibration(
    outcome: Outcome, prior: dict[str, float], draws: Draws, rng: np.random.Generator
) -> dict[str, float]:
    """Mean over the faults that some frame has of the calibration error at the model's prior, and
    of its floor."""
    errors, floors = [], []
    for column, key in enumerate(KEYS):
        rows = outcome.scored[:, column]
        truth, shown = outcome.targets[rows, column] == 1, outcome.shown[rows, column]
        if truth.any() and not truth.all():
            weight = prior_weights(truth, prior[key])
            errors.append(calibration_error(draws.of(rows), truth, shown, weight))
            floors.append(calibration_floor(shown, rng, draws=FLOOR_DRAWS, weight=weight)[0])
    floor = float(np.mean(floors)) if floors else float("nan")
    return draws.estimate(mean_of(errors), mirrored=True) | {"floor": floor}


def verdict_table(outcome: Outcome, draws: Draws) -> dict[str, Any]:
    """Of each kind of frame, the share kept, looked at and dropped.

    clean: free of every fault. unsure: without a fault, but some that nobody can tell. faulty:
    with one at least; of these, spoilt ones have one that spoils a sub, mendable ones only such
    as the run or the calibration frames decide. not_sky: no star field.
    """
    has = outcome.targets == 1
    clean = is_clean(outcome)
    known = ~np.isnan(outcome.targets).any(1)
    kinds = {
        "clean": clean & known,
        "unsure": clean & ~known,
        "faulty": has.any(1),
        "spoilt": has[:, SPOILS].any(1),
        "mendable": has.any(1) & (outcome.targets[:, SPOILS] == 0).all(1),
        "not_sky": ~outcome.is_sky,
    }
    return {
        kind: {"frames": int(rows.sum())}
        | {str(verdict): draws.proportion(outcome.verdict == verdict, rows) for verdict in Verdict}
        for kind, rows in kinds.items()
    }
