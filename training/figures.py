"""All figures of a model on frames it has answered for: what `evaluation.json` holds.

Per fault, only clear cases are scored: frames whose strength lies between `clean_below` and
`counts_from` are left out for that fault. Two faults that are the same light
(`vocabulary.SAME_LIGHT`) are scored singly where they can be told apart and jointly below; the
figures without this grace stand beside.
Confidences are judged twice: at the share of faults the frames were rendered with, and, with the
frames weighted accordingly, at the model's stated share for real nights.

Beside a figure `x` stands `x_interval`: 95 % over resampled runs (`training.draws`). This runs at
the end of a training, inside its time: 5,000 frames must not take more than a few seconds.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from scipy.stats import rankdata

from classifier.vocabulary import FAULTS, GROUPS, INDEX, KEYS, SAME_LIGHT
from classifier.weights import Model
from training.answers import Answers
from training.calibrate import clean_frames, is_clear
from training.draws import (
    Draws,
    average_precision,
    calibration_error,
    in_bin,
    interval,
    mean_of,
    ratio,
    recall_at,
    threshold_at_false_alarms,
)
from training.metrics import average_precision_score, calibration_floor, reliability
from training.overview import Outcome, of_answers, overview, prior_weights
from training.sensitivity import FALSE_ALARMS, against_strength

SCHEMA = "nightcull/evaluation-1"
STRENGTH_BINS = 6

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Judged:
    """Everything the sections below look at. rendered (N, 16): confidences at the share of faults
    among the calibration frames."""

    model: Model
    answers: Answers
    outcome: Outcome
    rendered: Array
    clean: NDArray[np.bool_]
    draws: Draws
    rng: np.random.Generator


def figures_of(model: Model, answers: Answers, seed: int) -> dict[str, Any]:
    """All figures of a model on frames it has answered for."""
    rng = np.random.default_rng(seed)
    # The frames are as rendered: so are the shares of faults among them.
    rendered = model.with_prior(model.config["prevalence"]).confidences(
        torch.from_numpy(answers.beside)
    )
    outcome, clean = of_answers(model, answers), clean_frames(answers.targets)
    draws = Draws(answers.run, rng)
    judged = _Judged(model, answers, outcome, rendered.double().numpy(), clean, draws, rng)
    perhaps = outcome.shown >= np.array([model.unsure[key] for key in KEYS])
    any_label, any_perhaps = (np.asarray(found.any(1)) for found in (outcome.given, perhaps))
    strange = model.unfamiliar(torch.from_numpy(answers.features)).double().numpy()
    threshold = model.config["unfamiliar_threshold"]
    told = overview(outcome, model.config["prior"], draws, rng)
    faults = {
        key: _fault_figures(column, judged, told["faults"][key]) for column, key in enumerate(KEYS)
    }
    macro = told["macro_average_precision"]
    return {
        "schema": SCHEMA,
        "model": model.name,
        "weights_sha256": model.sha256,
        "frames": len(answers.run),
        "runs": draws.groups,
        "clean_frames": int(clean.sum()),
        "macro_average_precision": macro,
        "macro_average_precision_every_strength": _mean(
            [faults[key]["average_precision_every_strength"] for key in KEYS]
        ),
        "macro_average_precision_alone": _mean(
            [faults[key]["average_precision_alone"] for key in KEYS]
        ),
        "lowest_average_precision": _lowest(faults),
        "largest_calibration_error": _largest(faults),
        "classwise_calibration_error": _classwise(judged, faults),
        **_share("clean_with_any_label", draws.proportion(any_label, clean)),
        **_share("clean_with_any_perhaps", draws.proportion(any_perhaps, clean)),
        **strange_figures(strange, threshold, answers.is_sky, draws),
        "faults": faults,
        "groups": {name: _group_figures(members, judged) for name, members in GROUPS.items()},
        "same_light": {
            " or ".join(pair): _same_light_figures(pair, levels, judged)
            for pair, levels in SAME_LIGHT.items()
        },
        **confusion(answers.targets, outcome.given, draws),
        "overview": told,
    }


def _with_interval(name: str, values: Array, mirrored: bool = False) -> dict[str, Any]:
    """(D,) values -> the figure and, beside it, its interval."""
    return {name: float(values[0]), f"{name}_interval": list(interval(values, mirrored))}


def _share(name: str, entry: dict[str, float]) -> dict[str, Any]:
    """An estimate -> the figure and, beside it, its interval."""
    return {name: entry["value"], f"{name}_interval": [entry["low"], entry["high"]]}


def strange_figures(
    strange: Array, threshold: float, sky: NDArray[np.bool_], draws: Draws
) -> dict[str, Any]:
    """How well things that are no star field are told from star fields.

    strange (N,): how unlike the training sky each frame is; above `threshold` it is flagged.
    """
    flagged = strange > threshold
    ranks = rankdata(strange)
    pairs = float(sky.sum()) * float((~sky).sum())
    below = ranks[~sky].sum() - (~sky).sum() * ((~sky).sum() + 1) / 2
    return {
        **_share("unfamiliar", draws.proportion(flagged, sky)),
        "not_sky_frames": int((~sky).sum()),
        **_share("not_sky_flagged", draws.proportion(flagged, ~sky)),
        "not_sky_auc": float(below / pairs) if pairs else float("nan"),
    }


def _fault_figures(column: int, judged: _Judged, told: dict[str, Any]) -> dict[str, Any]:
    """One fault. told: its part of the overview, which is not worked out twice."""
    answers, draws, rng = judged.answers, judged.draws, judged.rng
    rows, target = judged.outcome.scored[:, column], answers.targets[:, column]
    every, logit = is_clear(target), answers.beside[:, column].astype(float)
    truth = target[rows] > 0.5
    rendered, shown = judged.rendered[rows, column], judged.outcome.shown[rows, column]
    floor, floor_95 = calibration_floor(rendered, rng, draws=100)
    weight = prior_weights(truth, judged.model.config["prior"][KEYS[column]])
    floor_prior, _ = calibration_floor(shown, rng, draws=100, weight=weight)
    counts = draws.of(rows)
    cut = threshold_at_false_alarms(counts, truth, logit[rows], FALSE_ALARMS)
    recalled = recall_at(counts, truth, logit[rows], cut)
    errors = calibration_error(counts, truth, rendered)
    at_prior = calibration_error(counts, truth, shown, weight)
    precision = told["average_precision"]
    return {
        "positives": told["positives"],
        "negatives": told["negatives"],
        "average_precision": precision["value"],
        "average_precision_interval": [precision["low"], precision["high"]],
        "average_precision_every_strength": average_precision_score(
            target[every] > 0.5, logit[every]
        ),
        "average_precision_alone": average_precision_score(truth, answers.alone[rows, column]),
        **_share("recall_at_1pct_false_alarms", draws.of_share(recalled, rows & (target == 1))),
        "threshold": judged.model.thresholds[KEYS[column]],
        **_share("recall", told["recall"]),
        **_share("false_alarms", told["false_alarms"]),
        **_share("false_alarms_on_clean", told["false_alarms_on_clean"]),
        **_with_interval("calibration_error", errors, mirrored=True),
        "calibration_error_floor": [floor, floor_95],
        **_with_interval("calibration_error_at_prior", at_prior, mirrored=True),
        "calibration_error_at_prior_floor": floor_prior,
        "reliability": _reliability(draws, rows, truth, rendered),
        "recall_by_strength": _by_strength(column, answers, judged.outcome.given[:, column]),
        "sensitivity": against_strength(
            FAULTS[column],
            answers.strength[:, column].astype(float),
            logit,
            cut,
            draws,
            np.nonzero(target > 0)[0],
        ),
    }


def _reliability(
    draws: Draws, rows: NDArray[np.bool_], truth: NDArray[np.bool_], probability: Array
) -> list[dict[str, Any]]:
    """The reliability curve with an interval for the share of positives in every bin."""
    inside, counts = in_bin(probability), draws.of(rows)
    inside = inside[:, inside.any(0)]
    shares = ratio(counts @ (inside & truth[:, None]), counts @ inside)
    places = np.flatnonzero(rows)
    return [
        row | {"interval": list(draws.ends(shares[:, index], places[inside[:, index]]))}
        for index, row in enumerate(reliability(truth, probability))
    ]


def _by_strength(
    column: int, answers: Answers, labelled: NDArray[np.bool_]
) -> list[dict[str, float]]:
    """Share of frames labelled, against strength, from where a frame is no longer clean."""
    rows = np.nonzero(answers.targets[:, column] > 0)[0]
    if len(rows) < STRENGTH_BINS:
        return []
    strength = answers.strength[rows, column]
    order = rows[np.argsort(strength)]
    if FAULTS[column].grows_downwards:
        order = order[::-1]
    bins = []
    for part in np.array_split(order, STRENGTH_BINS):
        inside = answers.strength[part, column]
        bins.append(
            {
                "from": float(inside[0]),
                "to": float(inside[-1]),
                "frames": len(part),
                "labelled": float(labelled[part].mean()),
            }
        )
    return bins


def _joint(confidence: Array) -> Array:
    """(N, K) -> (N,) that one of them holds, as `opinion.any_of` says it."""
    return np.minimum(confidence.sum(1), 1.0)


def _joint_figures(
    positive: NDArray[np.bool_], clear: NDArray[np.bool_], joint: Array, draws: Draws
) -> dict[str, Any]:
    """(N,) all. clear: the frames that are scored."""
    truth, score, counts = positive[clear], joint[clear], draws.of(clear)
    cut = threshold_at_false_alarms(counts, truth, score, FALSE_ALARMS)
    recalled = draws.of_share(recall_at(counts, truth, score, cut), positive & clear)
    return {
        "positives": int(truth.sum()),
        **_with_interval("average_precision", average_precision(counts, truth, score)),
        **_share("recall_at_1pct_false_alarms", recalled),
    }


def _group_figures(members: tuple[str, ...], judged: _Judged) -> dict[str, Any]:
    """A group holds if a member does."""
    columns = [INDEX[key] for key in members]
    targets = judged.answers.targets[:, columns]
    positive, negative = (targets == 1).any(1), (targets == 0).all(1)
    clear = positive | negative
    truth, counts = positive[clear], judged.draws.of(clear)
    rendered = _joint(judged.rendered[clear][:, columns])
    errors = calibration_error(counts, truth, rendered)
    return {
        "members": list(members),
        **_joint_figures(positive, clear, _joint(judged.outcome.shown[:, columns]), judged.draws),
        **_with_interval("calibration_error", errors, mirrored=True),
        "calibration_error_floor": calibration_floor(rendered, judged.rng, draws=50)[0],
    }


def _same_light_figures(
    pair: tuple[str, str], levels: tuple[float, float], judged: _Judged
) -> dict[str, Any]:
    """Frames with one of the pair too weak to be told apart, against those with neither; and
    either of the pair at every strength, as a function of it if both have the same unit."""
    columns = [INDEX[key] for key in pair]
    targets, strength = judged.answers.targets[:, columns], judged.answers.strength[:, columns]
    joint = _joint(judged.outcome.shown[:, columns])
    neither = (targets == 0).all(1)
    weak = ((targets == 1) & (strength < np.array(levels))).any(1)
    clear = weak | neither
    figures = {
        "told_apart_from": list(levels),
        **_joint_figures(weak, clear, joint, judged.draws),
    }
    if len({FAULTS[column].unit for column in columns}) > 1:
        return figures
    cut = threshold_at_false_alarms(judged.draws.of(clear), weak[clear], joint[clear], FALSE_ALARMS)
    # The stronger of the two; what is unknown of one is no reason to leave the other out.
    either = np.where(np.isnan(targets), -np.inf, strength).max(1).astype(float)
    rows = np.nonzero((targets > 0).any(1))[0]
    sensitivity = against_strength(FAULTS[columns[0]], either, joint, cut, judged.draws, rows)
    return figures | {"sensitivity": sensitivity}


def _classwise(judged: _Judged, faults: dict[str, Any]) -> dict[str, float]:
    """Mean over the faults of the calibration error, and of its floor."""
    errors = []
    for column in range(len(KEYS)):
        rows = judged.outcome.scored[:, column]
        truth = judged.answers.targets[rows, column] > 0.5
        errors.append(
            calibration_error(judged.draws.of(rows), truth, judged.rendered[rows, column])
        )
    floors = [row["calibration_error_floor"] for row in faults.values()]
    return judged.draws.estimate(mean_of(errors), mirrored=True) | {
        "floor": _mean([floor for floor, _ in floors])
    }


def confusion(targets: Array, given: NDArray[np.bool_], draws: Draws) -> dict[str, Any]:
    """Among frames that have a fault and are clear of another: share given that other label."""
    shares: dict[str, dict[str, float]] = {}
    ends: dict[str, dict[str, list[float]]] = {}
    for i, key in enumerate(KEYS):
        clear = (targets[:, i] == 1)[:, None] & (targets == 0)
        rows = clear.any(1)
        counts = draws.of(rows)
        wrong = ratio(counts @ (clear & given)[rows], counts @ clear[rows])
        others = [j for j in range(len(KEYS)) if j != i]
        shares[key] = {KEYS[j]: float(wrong[0, j]) for j in others}
        ends[key] = {KEYS[j]: list(draws.ends(wrong[:, j], clear[:, j])) for j in others}
    return {"confusion": shares, "confusion_interval": ends}


def _mean(values: list[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return float(np.mean(known)) if known else float("nan")


def _lowest(faults: dict[str, Any]) -> dict[str, Any]:
    known = {k: row["average_precision"] for k, row in faults.items() if row["positives"]}
    key = min(known, key=lambda name: known[name], default=None)
    return {"fault": key, "value": known[key] if key else float("nan")}


def _largest(faults: dict[str, Any]) -> dict[str, Any]:
    key = max(faults, key=lambda name: faults[name]["calibration_error"])
    return {"fault": key, "value": faults[key]["calibration_error"]}
