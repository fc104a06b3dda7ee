"""A model tuned on a photographer's own rejects: a new model folder, and only if it is better.

Only the network's last part (`judge`) learns; how frames are looked at stays, so each frame is
looked at once. What counts as better is judged on frames held out: the subs are divided into
four parts, by whole runs and nights where there are enough of them, and each part is judged by a
head tuned on the other three. The model that is written learns from all four.

What a label says: a sub in `trail` has a trail; a `good` sub has no fault at all; about the other
faults of a reject nothing is said, and there the old model's own answer is held on to. Positives
and negatives are weighted to the share of faults the model was calibrated for: a folder of
rejects is no sample of nights.

Don't expect much of fewer than some tens of subs, nor that what one rig taught holds for another.
"""

import copy
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch
import torch.nn.functional as F
from numpy.typing import NDArray
from torch import Tensor, nn

from classifier.context import beside_run, in_order
from classifier.errors import UsageError
from classifier.vocabulary import INDEX, KEYS
from classifier.weights import WEIGHTS_FILE, Model, file_sha256, load_model
from training.export import write_card, write_config, write_weights
from training.metrics import average_precision_score
from training.rejects import GOOD, Look, find_rejects, look_at, look_at_all

if TYPE_CHECKING:
    from classifier.rig import Rig

FEWEST = 8  # subs of a label below which it teaches nothing and cannot be judged
FOLDS = 4
STEPS = 200
RATE = 3e-3
ANCHOR = 0.002  # pull of the head towards where it started
HOLD = 0.5  # weight of the old model's answer where the labels say nothing
SURE = 0.95  # share of resamplings in which the new model must be the better one

Array = NDArray[np.float64]


@dataclass
class Outcome:
    """What a retraining came to. `folder` is None where the old model was the better one.

    figures: per label and over all, old against new on held-out subs. notes: what was left out
    or could not be done, one sentence each.
    """

    folder: Path | None
    better: bool
    frames: int
    split: str
    figures: dict[str, Any]
    notes: list[str] = field(default_factory=list)

    def lines(self) -> list[str]:
        """The outcome for people, a line per figure."""
        total = self.figures["all"]
        lines = [
            f"{self.frames} subs, held out {self.split}",
            f"log loss {total['old_loss']:.4f} -> {total['new_loss']:.4f} "
            f"(new better in {100 * total['sure']:.0f} % of resamplings)",
            f"rejects found {_percent(total['old_found'])} -> {_percent(total['new_found'])}, "
            f"good subs labelled {_percent(total['old_false'])} -> "
            f"{_percent(total['new_false'])}",
        ]
        for key, row in self.figures["labels"].items():
            lines.append(
                f"{key}: {row['frames']} subs, average precision {row['old_precision']:.2f} -> "
                f"{row['new_precision']:.2f}, found {_percent(row['old_found'])} -> "
                f"{_percent(row['new_found'])}"
            )
        end = f"kept: {self.folder}" if self.folder else "not better: the old model stays"
        return [*lines, *self.notes, end]


def retrain(
    folder: str | Path,
    out: str | Path = "nightcull-models",
    model: str | Path | None = None,
    name: str | None = None,
    rig: "Rig | None" = None,
    seed: int = 1,
    say: Callable[[str], None] = lambda line: None,
    look: Callable[[Path, Model, Any], Look] = look_at,
    workers: int = 1,
) -> Outcome:
    """Tune a model on labelled subs.

    folder: one subfolder per fault key, and `good`. out: where the new model's folder and the
    cache go. model: name or folder of the old one, None = the default. name: of the new one,
    default the old name with "-own". workers: processes that read subs. Nothing is overwritten.
    Raises UsageError where there is too little to learn from, ModelError for the old model.
    """
    folder, out = Path(folder), Path(out)
    old = load_model(model)
    rejects, notes = find_rejects(folder)
    _check_enough([reject.labels for reject in rejects], folder)
    target = _free_folder(out, name or f"{old.name.removesuffix('-own')}-own")
    rejects, looks, unread = look_at_all(rejects, old, out / "cache", rig, look, say, workers)
    notes += unread
    labels = [reject.labels for reject in rejects]
    taught = _check_enough(labels, folder)
    notes += _untaught(labels, taught)

    task = make_task(old, labels, looks, taught)
    folds, split = divide(task, seed)
    say(f"tuning on {len(labels)} subs, held out {split}")
    held_out = np.zeros((len(labels), len(KEYS)))
    for number in range(FOLDS):
        rows = np.nonzero(folds != number)[0]
        head = tune(old, task, rows, seed)
        held_out[folds == number] = logits_of(head, task, np.nonzero(folds == number)[0])
    figures = compare(old, task, held_out, seed)
    better = bool(figures["all"]["better"])
    outcome = Outcome(None, better, len(labels), split, figures, notes)
    if better:
        head = tune(old, task, np.arange(len(labels)), seed)
        _write(target, old, head, outcome)
        outcome.folder = target
    return outcome


def _check_enough(labels: list[frozenset[str]], folder: Path) -> tuple[str, ...]:
    """The faults with enough subs to learn from. Raises UsageError without `good` or any."""
    counts = Counter(key for names in labels for key in names)
    good = sum(not names for names in labels)
    taught = tuple(key for key in KEYS if counts[key] >= FEWEST)
    if good < FEWEST or not taught:
        have = ", ".join([f"{GOOD} {good}", *(f"{key} {n}" for key, n in counts.items())])
        raise UsageError(
            f"{folder} has too few readable subs to learn from ({have}); at least {FEWEST} in "
            f"{GOOD!r} and {FEWEST} of one fault are needed."
        )
    return taught


def _untaught(labels: list[frozenset[str]], taught: tuple[str, ...]) -> list[str]:
    counts = Counter(key for names in labels for key in names if key not in taught)
    return [
        f"{key} has {count} subs, fewer than the {FEWEST} needed: nothing was learnt of it."
        for key, count in counts.items()
    ]


def _free_folder(out: Path, name: str) -> Path:
    """A model folder that does not exist yet: the name, or the name with a number."""
    for number in range(1, 1000):
        folder = out / (name if number == 1 else f"{name}-{number}")
        if not folder.exists():
            return folder
    raise UsageError(f"{out} holds a thousand models called {name!r}; give another --name.")


@dataclass
class Task:
    """Labelled frames as tensors. N frames.

    features (N, D); context (N, C); target (N, 16) with 1 and 0 as stated and the old model's
    confidence elsewhere; stated (N, 16) bool; weight (N, 16); old (N, 16) logits of the old
    model; group (N,) the run and night of each frame; taught: faults that are learnt.
    """

    features: Tensor
    context: Tensor
    target: Tensor
    stated: Tensor
    weight: Tensor
    old: Array
    group: NDArray[np.str_]
    first_label: list[str]
    taught: tuple[str, ...]


def make_task(
    old: Model, labels: list[frozenset[str]], looks: list[Look], taught: tuple[str, ...]
) -> Task:
    """Labels and looks -> what the head is tuned on."""
    features = torch.from_numpy(np.stack([look.features for look in looks])).float()
    shapes = torch.from_numpy(np.stack([look.shape for look in looks])).float()
    group = np.array([f"{look.run} | {look.night}" for look in looks])
    context = torch.empty(0)
    for name in np.unique(group):
        rows = torch.from_numpy(np.nonzero(group == name)[0])
        order = in_order([looks[row].moment for row in rows.tolist()])
        part = beside_run(shapes[rows], features[rows], order)
        if not len(context):
            context = torch.full((len(looks), part.shape[1]), torch.nan)
        context[rows] = part
    with torch.inference_mode():
        logits = old.network.judge(features, context).float()
    scale, offset = platt_of(old)
    target = torch.sigmoid(scale * logits + offset)
    stated = torch.zeros_like(target, dtype=torch.bool)
    for row, names in enumerate(labels):
        if not names:
            stated[row], target[row] = True, 0.0
        for key in names & set(taught):
            stated[row, INDEX[key]], target[row, INDEX[key]] = True, 1.0
    return Task(
        features=features.clone(),
        context=context,
        target=target.clone(),
        stated=stated,
        weight=_weights(target, stated, old),
        old=logits.double().numpy(),
        group=group,
        first_label=[next((k for k in KEYS if k in names), GOOD) for names in labels],
        taught=taught,
    )


def platt_of(model: Model) -> tuple[Tensor, Tensor]:
    """Scale and offset (16,) of a model's logits at the share of faults it was calibrated at."""
    rows = [model.config["calibration"][key] for key in KEYS]
    return torch.tensor([row["a"] for row in rows]), torch.tensor([row["b"] for row in rows])


def _weights(target: Tensor, stated: Tensor, old: Model) -> Tensor:
    """Stated positives and negatives in the share the model is calibrated at; the rest lightly.

    Each label's stated frames weigh 1 in all (without positives only the negatives' part of it),
    the frames it says nothing about weigh HOLD in all.
    """
    share = torch.tensor([old.config["prevalence"][key] for key in KEYS]).clamp(0.02, 0.5)
    positive = stated & (target > 0.5)
    negative = stated & (target <= 0.5)
    silent = ~stated
    return (
        positive * (share / positive.sum(0).clamp_min(1))
        + negative * ((1 - share) / negative.sum(0).clamp_min(1))
        + silent * (HOLD / silent.sum(0).clamp_min(1))
    )


def divide(task: Task, seed: int) -> tuple[NDArray[np.intp], str]:
    """(N,) part of each frame, and how it was divided.

    By whole runs and nights where every label occurs in at least FOLDS of them, so that no part
    is judged by a head that has seen its night; by single subs otherwise.
    """
    from sklearn.model_selection import StratifiedGroupKFold, StratifiedKFold

    # A label too rare to be taught is no reason to divide otherwise: its subs go anywhere.
    label = np.array([name if name in task.taught else GOOD for name in task.first_label])
    spread = min(len(np.unique(task.group[label == name])) for name in np.unique(label))
    rows = np.zeros((len(label), 1))
    folds = np.zeros(len(label), dtype=np.intp)
    if spread >= FOLDS:
        by_group = StratifiedGroupKFold(FOLDS, shuffle=True, random_state=seed)
        parts, split = by_group.split(rows, label, task.group), "by whole runs and nights"
    else:
        by_file = StratifiedKFold(FOLDS, shuffle=True, random_state=seed)
        parts = by_file.split(rows, label)
        split = "sub by sub, for want of nights: expect somewhat less on a new night"
    for number, (_, held) in enumerate(parts):
        folds[held] = number
    return folds, split


def tune(old: Model, task: Task, rows: NDArray[np.intp], seed: int) -> nn.Module:
    """A copy of the old network whose head has learnt from the given frames."""
    torch.manual_seed(seed)
    network = copy.deepcopy(old.network).eval()
    scale, offset = platt_of(old)
    head = [parameter.requires_grad_(True) for parameter in network.head.parameters()]
    start = [parameter.detach().clone() for parameter in head]
    index = torch.from_numpy(rows)
    features, context = task.features[index], task.context[index]
    target = task.target[index]
    # The shares are those of the frames at hand, not of all.
    weight = _weights(target, task.stated[index], old)
    alone = torch.full_like(context, torch.nan)
    optimiser = torch.optim.Adam(head, lr=RATE)
    for step in range(STEPS):
        for group in optimiser.param_groups:
            group["lr"] = RATE * (1 - step / STEPS)
        loss = torch.zeros(())
        # Beside their run and alone: labelling meets both.
        for around in (context, alone):
            logits = scale * network.judge(features, around) + offset
            each = F.binary_cross_entropy_with_logits(logits, target, reduction="none")
            loss = loss + 0.5 * (each * weight).sum() / len(KEYS)
        for parameter, first in zip(head, start, strict=True):
            loss = loss + ANCHOR * (parameter - first).square().sum()
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        optimiser.step()
    return network.requires_grad_(False)


@torch.inference_mode()
def logits_of(network: Any, task: Task, rows: NDArray[np.intp]) -> Array:
    index = torch.from_numpy(rows)
    return network.judge(task.features[index], task.context[index]).double().numpy()


def compare(old: Model, task: Task, new: Array, seed: int) -> dict[str, Any]:
    """Old against new logits (N, 16) on frames that the new ones were not fitted on."""
    scale, offset = (tensor.double().numpy() for tensor in platt_of(old))
    target, stated = task.target.double().numpy(), task.stated.numpy()
    weight = (task.weight * task.stated).double().numpy()
    losses = {}
    for which, logits in (("old", task.old), ("new", new)):
        z = scale * logits + offset
        each = np.logaddexp(0, z) - target * z
        losses[which] = (each * weight).sum(1) * len(target) / len(KEYS)
    given = {
        which: old.confidences(torch.from_numpy(logits)).numpy()
        >= np.array([old.thresholds[key] for key in KEYS])
        for which, logits in (("old", task.old), ("new", new))
    }
    good = np.array([name == GOOD for name in task.first_label])
    positive = stated & (target > 0.5)
    total: dict[str, Any] = {
        "old_loss": float(losses["old"].mean()),
        "new_loss": float(losses["new"].mean()),
        "sure": _how_sure(losses["old"] - losses["new"], task.group, seed),
    }
    for which in ("old", "new"):
        total[f"{which}_found"] = float(given[which][positive].mean())
        total[f"{which}_false"] = float(given[which][good].any(1).mean())
    # One more good sub labelled is within chance; two and more are not.
    worse = (total["new_false"] - total["old_false"]) * good.sum() >= 2
    total["better"] = bool(
        total["new_loss"] < total["old_loss"] and total["sure"] >= SURE and not worse
    )
    labels = {}
    for key in task.taught:
        column = INDEX[key]
        rows = positive[:, column] | good
        truth = positive[rows, column]
        labels[key] = {
            "frames": int(truth.sum()),
            "old_precision": average_precision_score(truth, task.old[rows, column]),
            "new_precision": average_precision_score(truth, new[rows, column]),
            "old_found": float(given["old"][positive[:, column], column].mean()),
            "new_found": float(given["new"][positive[:, column], column].mean()),
        }
    return {"all": total, "labels": labels}


def _how_sure(gain: Array, group: NDArray[np.str_], seed: int, draws: int = 400) -> float:
    """Share of resamplings in which the mean gain is above 0; whole groups if there are some."""
    rng = np.random.default_rng(seed)
    names, which = np.unique(group, return_inverse=True)
    if len(names) < 2 * FOLDS:
        which = np.arange(len(gain))
    sums, counts = np.bincount(which, gain), np.bincount(which)
    drawn = rng.integers(0, len(sums), (draws, len(sums)))
    return float((sums[drawn].sum(1) / counts[drawn].sum(1) > 0).mean())


def _write(target: Path, old: Model, network: Any, outcome: Outcome) -> None:
    target.mkdir(parents=True)
    write_weights(target, network, old.centre.numpy(), old.whitening.numpy())
    config = {
        **old.config,
        "name": target.name,
        "weights_sha256": file_sha256(target / WEIGHTS_FILE),
        "training": {
            "retrained_from": old.name,
            "retrained_from_sha256": old.sha256,
            "frames": outcome.frames,
            "held_out": outcome.split,
            "figures": outcome.figures,
            "before": old.config["training"],
        },
    }
    write_config(target, config)
    told = "\n".join(f"- {line}" for line in outcome.lines()[:-1])
    write_card(
        target,
        f"# {target.name}\n\nThe model {old.name} ({old.sha256[:12]}), its last part tuned on a "
        f"photographer's own subs. Old against new on subs held out:\n\n{told}\n\nCalibration "
        "and thresholds are those of the old model; on other rigs expect the old model's "
        "figures at best.\n",
    )


def _percent(share: float) -> str:
    return "-" if np.isnan(share) else f"{100 * share:.0f} %"
