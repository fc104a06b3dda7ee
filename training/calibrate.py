"""From logits to honest confidences and to thresholds, on frames no weight was fitted on.

Per label: Platt's two numbers (logit' = a logit + b) by maximum likelihood on the frames that
are clear cases of that label. The confidences hold where faults are as frequent as in the
calibration frames; `classifier.weights.prior_shift` moves them to a night's own share.

Thresholds: a clean frame has no fault at all. At most `clean_alarms` of the clean frames may carry
any false label, all faults together; each of these few is spent on the label that finds most more
of its fault for it. Thresholds laid between the frames at hand let more of other frames through,
so all are raised by what it takes on runs left out of the search.
No label is ever given below even odds, however clean the rendered frames look to the model: real
ones are stranger. The `unsure` levels come from the same search with `clean_unsure`, never below
0.2.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_expit

from classifier.vocabulary import INDEX, KEYS, SAME_LIGHT, fault

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Platt:
    """logit' = a logit + b."""

    a: float
    b: float


def fit_platt(logit: Array, truth: Array) -> Platt:
    """(N,) logits and 0/1 truths -> Platt. Needs both kinds, else leaves logits as they are.

    The targets are pulled in by Platt's own rule, (n+ + 1) / (n+ + 2) and 1 / (n- + 2), so that
    a label that separates perfectly keeps finite numbers. a stays positive: calibration never
    turns an order round.
    """
    truth = np.asarray(truth, float)
    positives, negatives = truth.sum(), len(truth) - truth.sum()
    if positives == 0 or negatives == 0:
        return Platt(1.0, 0.0)
    target = np.where(truth > 0.5, (positives + 1) / (positives + 2), 1 / (negatives + 2))
    # Scaled logits keep the search well conditioned whatever the network's own scale.
    scale = max(float(np.std(logit)), 1e-6)
    x = np.asarray(logit, float) / scale

    def loss(params: Array) -> tuple[float, Array]:
        a, b = np.exp(params[0]), params[1]
        z = a * x + b
        value = -(target * log_expit(z) + (1 - target) * log_expit(-z)).mean()
        slope = expit(z) - target
        return float(value), np.array([(slope * x).mean() * a, slope.mean()])

    start = np.array([0.0, np.log((positives + 1) / (negatives + 1))])
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=[(-6, 6), (-40, 40)])
    return Platt(float(np.exp(found.x[0]) / scale), float(found.x[1]))


def fit_all(logits: Array, targets: Array) -> dict[str, Platt]:
    """(N, 16) logits and targets (NaN = not known) -> Platt per label, clear cases only."""
    fitted = {}
    for column, key in enumerate(KEYS):
        clear = is_clear(targets[:, column])
        fitted[key] = fit_platt(logits[clear, column], targets[clear, column])
    return fitted


def is_clear(targets: Array) -> NDArray[np.bool_]:
    """Where a target is exactly 0 or 1: soft ones and unknown ones are not scored."""
    return (targets == 0.0) | (targets == 1.0)


def is_told_apart(strength: Array, column: int) -> NDArray[np.bool_]:
    """(N, 16) strengths -> (N,) where a label can be scored singly.

    Of two faults that are the same light, a frame that has one of them by less than can be told
    apart counts for the pair, not for either.
    """
    apart = np.ones(len(strength), bool)
    for pair, levels in SAME_LIGHT.items():
        if KEYS[column] in pair:
            for key, level in zip(pair, levels, strict=True):
                value, row = strength[:, INDEX[key]], fault(key)
                apart &= (value <= row.clean_below) | (value >= level) | np.isnan(value)
    return apart


def prevalence(targets: Array) -> dict[str, float]:
    """Share of positives among the clear cases of each label; 0 where there are none."""
    shares = {}
    for column, key in enumerate(KEYS):
        clear = targets[is_clear(targets[:, column]), column]
        shares[key] = float(clear.mean()) if len(clear) else 0.0
    return shares


def clean_frames(targets: Array) -> NDArray[np.bool_]:
    """(N, 16) -> (N,) whether a frame is free of every fault, each known and clear."""
    return (targets == 0.0).all(1)


def joint_thresholds(
    clean: Array, share: float, lowest: float, faulty: dict[str, Array] | None = None
) -> dict[str, float]:
    """Thresholds at which at most `share` of the clean frames carry any label.

    clean: (N, 16) confidences of clean frames. faulty: by label, confidences of frames that have
    the fault. The clean frames that may be labelled are spent one after another, each on the label
    that then finds most more of its fault for it; without `faulty`, on all labels alike. Each
    threshold lies half way (in logits) between two neighbouring confidences, so that it says
    nothing finer than the frames do. None lies under `lowest`.
    """
    if len(clean) == 0:
        return dict.fromkeys(KEYS, max(lowest, 0.5))
    logits, floor = _logit(clean), float(_logit(np.array(lowest)))
    steps = [_cuts(logits[:, column], floor) for column in range(len(KEYS))]
    found = [
        _recalls(_logit((faulty or {}).get(key, np.zeros(0))), cuts)
        for key, cuts in zip(KEYS, steps, strict=True)
    ]
    # Frames under the floor with every label are never labelled, and are most.
    logits = logits[(logits >= floor).any(1)]
    place, flagged = [0] * len(KEYS), np.zeros(len(logits), bool)
    for column, cuts in enumerate(steps):
        flagged |= logits[:, column] >= cuts[0]
    budget = int(share * len(clean) + 1e-9)
    while True:
        left = budget - int(flagged.sum())
        moves = [
            (*_best_move(found[i][at:], steps[i][at:], logits[~flagged, i], left), i)
            for i, at in enumerate(place)
        ]
        _, further, column = max(moves, key=lambda move: (move[0], -place[move[2]]))
        if further == 0:
            break
        place[column] += further
        flagged |= logits[:, column] >= steps[column][place[column]]
    return {key: float(expit(steps[column][place[column]])) for column, key in enumerate(KEYS)}


FOLDS = 10


@dataclass(frozen=True)
class Allowance:
    """What thresholds let through of clean frames.

    step: by how much they were raised, in log odds. expected: share of the frames of runs left
    out of the search that carry a label, and its standard error; NaN in a single run.
    """

    step: float
    expected: float
    error: float


def kept_thresholds(
    clean: Array,
    run: NDArray[np.int64],
    share: float,
    lowest: float,
    faulty: dict[str, Array] | None = None,
) -> tuple[dict[str, float], Allowance]:
    """Thresholds at which at most `share` of clean frames of other runs carry any label.

    As `joint_thresholds`, and run (N,): frames of one run are alike, so runs are left out of the
    search in turn as a whole. All thresholds are then raised by the one step in log odds at which
    the share of left-out frames that carry a label, with its standard error, is at most `share`
    (cross-conformal prediction: Vovk 2015, Annals of Mathematics and Artificial Intelligence 74,
    9). Without the error, every second model would let through more than was asked.
    """
    thresholds = joint_thresholds(clean, share, lowest, faulty)
    _, number = np.unique(run, return_inverse=True)
    if len(clean) == 0 or number.max() == 0:
        return thresholds, Allowance(0.0, float("nan"), float("nan"))
    above = np.empty(len(clean))
    for fold in range(min(FOLDS, number.max() + 1)):
        out = number % FOLDS == fold
        cut = joint_thresholds(clean[~out], share, lowest, faulty)
        above[out] = (_logit(clean[out]) - _logit(_row(cut))).max(1)
    for step in (0.0, *(np.sort(above[above >= 0]) + 1e-6)):
        labelled = above >= step
        error = clustered_error(labelled, number)
        if labelled.mean() + error <= share:
            break
    raised = expit(_logit(_row(thresholds)) + step)
    told = Allowance(float(step), float(labelled.mean()), error)
    return {key: float(level) for key, level in zip(KEYS, raised, strict=True)}, told


def _row(thresholds: dict[str, float]) -> Array:
    return np.array([thresholds[key] for key in KEYS])


def clustered_error(given: NDArray[np.bool_], run: NDArray[np.int64]) -> float:
    """Standard error of the share of frames (N,) that are `given`, of runs (N,) drawn as a whole.

    The ratio estimator of cluster sampling (Cochran 1977, Sampling Techniques, section 9A.1).
    """
    _, number = np.unique(run, return_inverse=True)
    size, count = np.bincount(number), np.bincount(number, given)
    excess = count - given.mean() * size
    runs = len(size)
    return float(np.sqrt((excess**2).sum() * runs / (runs - 1)) / len(given))


def _best_move(found: Array, cuts: Array, free: Array, budget: int) -> tuple[float, int]:
    """Of one label: what a lower threshold finds for each clean frame it spends at best, and how
    many steps of `cuts` lower that is; -1 and 0 where none is affordable.

    found: share of the faulty frames that reach each of the cuts. free: logits of the clean
    frames that carry no label yet.
    """
    cost = np.searchsorted(np.sort(-free), -cuts[1:], side="right")
    rate = np.where(cost <= budget, (found[1:] - found[0]) / np.maximum(cost, 0.5), -1.0)
    best = int(np.argmax(rate)) if len(rate) else 0
    return (float(rate[best]), best + 1) if len(rate) and rate[best] >= 0 else (-1.0, 0)


def _cuts(logits: Array, floor: float) -> Array:
    """Where a threshold may lie, from one that no clean frame reaches down to the floor: between
    neighbouring confidences, so that frames of equal confidence pass together or not at all."""
    levels = np.unique(logits)[::-1]
    between = 0.5 * (levels[:-1] + levels[1:])
    cuts = np.concatenate(([levels[0] + 0.5], between, [levels[-1] - 1.0]))
    return np.concatenate((cuts[cuts > floor], [floor])) if cuts[-1] <= floor else cuts


def _recalls(found: Array, cuts: Array) -> Array:
    """Share of the confidences `found` that reach each of `cuts`, which fall; 0 of none."""
    reached = np.searchsorted(np.sort(-found), -cuts, side="right")
    return np.asarray(reached / max(len(found), 1))


def _logit(probability: Array) -> Array:
    bounded = np.clip(probability, 1e-12, 1 - 1e-12)
    return np.log(bounded) - np.log1p(-bounded)


@dataclass(frozen=True)
class Familiar:
    """What frames like those trained on look like to the network.

    centre (D,), whitening (D, D), and the median and 99th percentile of the distance
    sqrt(mean((features - centre) @ whitening)^2) over frames not used for the first two. cut:
    the network's own logit of strangeness that only `STRANGE_SKIES` of the frames reach.
    """

    centre: Array
    whitening: Array
    median: float
    q99: float
    cut: float = 0.0

    def marks(self) -> dict[str, dict[str, float]]:
        """What config.json says of it; the rest stands in the weights' file."""
        return {"unfamiliar": {"median": self.median, "q99": self.q99, "cut": self.cut}}


SHRINKAGE = 0.1
STRANGE_SKIES = 0.003
# Logit below which nothing is called strange, however seldom rendered skies reach it: odds of one
# in twenty. A look costs the user a glance, a roof in the stack costs more.
LEAST_STRANGE = -3.0


def fit_familiar(own: Array, others: Array, strangeness: Array | None = None) -> Familiar:
    """Features of held-out star fields, (N, D), and (M, D) of other runs, which set the scale of
    the distance; logits of strangeness of any held-out star fields -> Familiar.

    Frames of one run are alike: among its own neighbours none would be far away. The covariance
    is shrunk towards a sphere: directions in which rendered frames hardly vary say little about how
    strange a real frame is.
    """
    centre = own.mean(0)
    offset = own - centre
    covariance = offset.T @ offset / max(len(own) - 1, 1)
    size = covariance.shape[0]
    sphere = max(float(np.trace(covariance)) / size, 1e-9)
    covariance = (1 - SHRINKAGE) * covariance + SHRINKAGE * sphere * np.eye(size)
    values, vectors = np.linalg.eigh(covariance)
    # 16-bit storage must not change the distance: round before measuring the quantiles.
    whitening = (vectors / np.sqrt(values)).astype(np.float16).astype(np.float64)
    centre = centre.astype(np.float16).astype(np.float64)
    distance = np.sqrt((((others - centre) @ whitening) ** 2).mean(1))
    cut = 0.0 if strangeness is None else float(np.quantile(strangeness, 1 - STRANGE_SKIES))
    return Familiar(
        centre,
        whitening,
        float(np.median(distance)),
        float(np.quantile(distance, 0.99)),
        max(cut, LEAST_STRANGE),
    )
