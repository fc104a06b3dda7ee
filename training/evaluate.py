"""A model on frames nobody trained or calibrated on -> one table of figures.

The card's numbers come from here and nowhere else. Per fault, only clear cases are scored:
frames whose strength lies between `clean_below` and `counts_from` are left out for that fault.
Two faults that are the same light (`vocabulary.SAME_LIGHT`) are scored singly where they can be
told apart and jointly below; the figures without this grace stand beside.
Confidences are judged twice: at the share of faults the frames were rendered with, and, with the
frames weighted accordingly, at the model's stated share for real nights.
"""

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from scipy.stats import rankdata

from classifier.vocabulary import FAULTS, GROUPS, INDEX, KEYS, SAME_LIGHT
from classifier.weights import Model, load_model
from training.calibrate import clean_frames, is_clear, is_told_apart
from training.config import TrainConfig, config_from
from training.data import EVALUATION, Sample, held_out, targets_of
from training.loop import encode_all, judge_both
from training.metrics import (
    average_precision_score,
    bootstrap_interval,
    calibration_error,
    calibration_floor,
    recall_at_false_alarms_score,
    recall_score,
    reliability,
)

SCHEMA = "nightcull/evaluation-1"
FALSE_ALARMS = 0.01
STRENGTH_BINS = 6

Array = NDArray[np.float64]


def evaluate(
    model: str | Path | None = None,
    config: TrainConfig | None = None,
    frames: int | None = None,
    out: str | Path | None = None,
    device: str | None = None,
) -> dict[str, Any]:
    """Render the evaluation set of `config` and judge a model on it.

    model: name or folder, None = the default one. config: seed, shapes and batches of the
    frames; None = those the model was trained with, so that its card's frames come again.
    frames: how many, None = as `config` says. out: file to write the figures to as JSON.
    device: as in TrainConfig. Returns the figures. Raises ModelError and UsageError.
    """
    loaded = load_model(model)
    config = (config or settings_of(loaded)).changed(device=device)
    where = pick_device(config)
    loaded.network.to(where)
    parts = [
        answer(loaded, sample)
        for sample in held_out(config, EVALUATION, frames or config.evaluation_frames, where)
    ]
    figures = figures_of(loaded, Answers.cat(parts), config.seed)
    if out is not None:
        write_figures(figures, Path(out))
    return figures


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


class Answers:
    """What a network said of N frames, and what was true of them; NumPy arrays on the CPU.

    features (N, D); beside and alone (N, 16) logits with and without the run; strength (N, 16);
    targets (N, 16), NaN unknown; run (N,).
    """

    def __init__(
        self, features: Array, beside: Array, alone: Array, strength: Array, run: NDArray[np.int64]
    ):
        self.features, self.beside, self.alone = features, beside, alone
        self.strength, self.run = strength, run
        self.targets: Array = targets_of(torch.from_numpy(strength)).double().numpy()

    @property
    def is_sky(self) -> NDArray[np.bool_]:
        """(N,) whether a frame is a star field: of other things no strength is known at all."""
        return np.asarray(~np.isnan(self.strength).all(1))

    @staticmethod
    def cat(parts: list["Answers"]) -> "Answers":
        names = ("features", "beside", "alone", "strength", "run")
        return Answers(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def answer(model: Any, sample: Sample) -> Answers:
    """Let a network (or a model's network) look at frames."""
    network = getattr(model, "network", model)
    features = encode_all(network, sample.views)
    beside, alone = judge_both(network, features, sample.context)
    return Answers(
        features.cpu().numpy(),
        beside.numpy(),
        alone.numpy(),
        sample.strength.float().cpu().numpy(),
        sample.run.cpu().numpy(),
    )


def figures_of(model: Model, answers: Answers, seed: int) -> dict[str, Any]:
    """All figures of a model on frames it has answered for."""
    rng = np.random.default_rng(seed)
    shown = _confidences(model, answers.beside)
    # The frames are as rendered: so are the shares of faults among them.
    rendered = _confidences(model.with_prior(model.config["prevalence"]), answers.beside)
    given = shown >= np.array([model.thresholds[key] for key in KEYS])
    perhaps = shown >= np.array([model.unsure[key] for key in KEYS])
    clean = clean_frames(answers.targets)
    faults = {
        key: _fault_figures(column, answers, shown, rendered, given, clean, model, rng)
        for column, key in enumerate(KEYS)
    }
    return {
        "schema": SCHEMA,
        "model": model.name,
        "weights_sha256": model.sha256,
        "frames": len(answers.run),
        "runs": len(np.unique(answers.run)),
        "clean_frames": int(clean.sum()),
        "macro_average_precision": _macro(answers, rng),
        "macro_average_precision_every_strength": _mean(
            [faults[key]["average_precision_every_strength"] for key in KEYS]
        ),
        "macro_average_precision_alone": _mean(
            [faults[key]["average_precision_alone"] for key in KEYS]
        ),
        "lowest_average_precision": _lowest(faults),
        "largest_calibration_error": _largest(faults),
        "clean_with_any_label": _share(given[clean].any(1)),
        "clean_with_any_perhaps": _share(perhaps[clean].any(1)),
        **_strange_figures(model, answers),
        "faults": faults,
        "groups": {
            name: _group_figures(members, answers, shown, rendered, rng)
            for name, members in GROUPS.items()
        },
        "same_light": {
            " or ".join(pair): _same_light_figures(pair, level, answers, shown)
            for pair, level in SAME_LIGHT.items()
        },
        "confusion": _confusion(answers.targets, given),
    }


def _confidences(model: Model, logits: Array) -> Array:
    return model.confidences(torch.from_numpy(logits)).double().numpy()


def _strange_figures(model: Model, answers: Answers) -> dict[str, Any]:
    """How well things that are no star field are told from star fields."""
    strange = model.unfamiliar(torch.from_numpy(answers.features)).numpy()
    flagged, sky = strange > model.config["unfamiliar_threshold"], answers.is_sky
    ranks = rankdata(strange)
    pairs = max(float(sky.sum()) * float((~sky).sum()), 1.0)
    below = ranks[~sky].sum() - (~sky).sum() * ((~sky).sum() + 1) / 2
    return {
        "unfamiliar": _share(flagged[sky]),
        "not_sky_frames": int((~sky).sum()),
        "not_sky_flagged": _share(flagged[~sky]),
        "not_sky_auc": float(below / pairs) if (~sky).any() else float("nan"),
    }


def _fault_figures(
    column: int,
    answers: Answers,
    shown: Array,
    rendered: Array,
    given: NDArray[np.bool_],
    clean: NDArray[np.bool_],
    model: Model,
    rng: np.random.Generator,
) -> dict[str, Any]:
    target = answers.targets[:, column]
    clear = is_clear(target)
    every = average_precision_score(target[clear] > 0.5, answers.beside[clear, column])
    clear &= is_told_apart(answers.strength, column)
    truth, logit, run = target[clear] > 0.5, answers.beside[clear, column], answers.run[clear]
    alone = answers.alone[clear, column]
    labelled = given[clear, column]
    low, high = bootstrap_interval(
        lambda rows: average_precision_score(truth[rows], logit[rows]), run, rng
    )
    floor, floor_95 = calibration_floor(rendered[clear, column], rng, draws=100)
    prior = model.config["prior"][KEYS[column]]
    weight = _prior_weights(truth, prior)
    floor_prior, _ = calibration_floor(shown[clear, column], rng, draws=100, weight=weight)
    return {
        "positives": int(truth.sum()),
        "negatives": int((~truth).sum()),
        "average_precision": average_precision_score(truth, logit),
        "average_precision_interval": [low, high],
        "average_precision_every_strength": every,
        "average_precision_alone": average_precision_score(truth, alone),
        "recall_at_1pct_false_alarms": recall_at_false_alarms_score(truth, logit, FALSE_ALARMS),
        "threshold": model.thresholds[KEYS[column]],
        "recall": recall_score(truth, labelled),
        "false_alarms": _share(labelled[~truth]),
        "false_alarms_on_clean": _share(given[clean, column]),
        "calibration_error": calibration_error(truth, rendered[clear, column]),
        "calibration_error_floor": [floor, floor_95],
        "calibration_error_at_prior": calibration_error(truth, shown[clear, column], 15, weight),
        "calibration_error_at_prior_floor": floor_prior,
        "reliability": reliability(truth, rendered[clear, column]),
        "recall_by_strength": _by_strength(column, answers, given[:, column]),
    }


def _prior_weights(truth: NDArray[np.bool_], prior: float) -> Array:
    """Weights with which positives make up the share `prior`."""
    share = truth.mean() if len(truth) else 0.0
    if not 0 < share < 1:
        return np.ones(len(truth))
    return np.where(truth, prior / share, (1 - prior) / (1 - share))


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


def _group_figures(
    members: tuple[str, ...],
    answers: Answers,
    shown: Array,
    rendered: Array,
    rng: np.random.Generator,
) -> dict[str, Any]:
    """A group holds if a member does; its confidence takes the members as independent."""
    columns = [INDEX[key] for key in members]
    targets = answers.targets[:, columns]
    positive, negative = (targets == 1).any(1), (targets == 0).all(1)
    clear = positive | negative
    truth = positive[clear]
    joint = 1 - np.prod(1 - shown[clear][:, columns], axis=1)
    joint_rendered = 1 - np.prod(1 - rendered[clear][:, columns], axis=1)
    return {
        "members": list(members),
        "positives": int(truth.sum()),
        "average_precision": average_precision_score(truth, joint),
        "recall_at_1pct_false_alarms": recall_at_false_alarms_score(truth, joint, FALSE_ALARMS),
        "calibration_error": calibration_error(truth, joint_rendered),
        "calibration_error_floor": calibration_floor(joint_rendered, rng, draws=50)[0],
    }


def _same_light_figures(
    pair: tuple[str, str], level: float, answers: Answers, shown: Array
) -> dict[str, Any]:
    """Frames with one of the pair too weak to be told apart, against those with neither."""
    columns = [INDEX[key] for key in pair]
    targets, strength = answers.targets[:, columns], answers.strength[:, columns]
    positive = ((targets == 1) & (strength < level)).any(1)
    clear = positive | (targets == 0).all(1)
    joint = 1 - np.prod(1 - shown[clear][:, columns], axis=1)
    return {
        "told_apart_from": level,
        "positives": int(positive.sum()),
        "average_precision": average_precision_score(positive[clear], joint),
        "recall_at_1pct_false_alarms": recall_at_false_alarms_score(
            positive[clear], joint, FALSE_ALARMS
        ),
    }


def _macro(answers: Answers, rng: np.random.Generator) -> dict[str, float]:
    def macro(rows: NDArray[np.intp]) -> float:
        return _mean(
            [
                average_precision_score(
                    answers.targets[rows[clear], column] > 0.5, answers.beside[rows[clear], column]
                )
                for column in range(len(KEYS))
                for clear in [
                    is_clear(answers.targets[rows, column])
                    & is_told_apart(answers.strength[rows], column)
                ]
            ]
        )

    low, high = bootstrap_interval(macro, answers.run, rng, draws=50)
    return {"value": macro(np.arange(len(answers.run))), "low": low, "high": high}


def _confusion(targets: Array, given: NDArray[np.bool_]) -> dict[str, dict[str, float]]:
    """Among frames that have a fault and are clear of another: share given that other label."""
    return {
        key: {
            other: _share(given[(targets[:, i] == 1) & (targets[:, j] == 0), j])
            for j, other in enumerate(KEYS)
            if j != i
        }
        for i, key in enumerate(KEYS)
    }


def _share(given: Any) -> float:
    """Share of True in a (N,) boolean array; NaN for none at all."""
    return float(given.mean()) if len(given) else float("nan")


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


def write_figures(figures: dict[str, Any], path: Path) -> None:
    """Write figures as JSON; what is not a number becomes null."""
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(_plain(figures), indent=1, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def read_figures(path: Path) -> dict[str, Any]:
    """Figures as written; null becomes NaN again."""
    text = path.read_text(encoding="utf-8").replace(": null", ": NaN").replace(" null", " NaN")
    return json.loads(text)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(entry) for name, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(entry) for entry in value]
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value
