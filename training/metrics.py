"""Figures that say how good a labeller is, on plain NumPy arrays.

Names ending in `_score` are better when higher, `_error` and `_loss` when lower. Nothing here
knows of faults or networks. NaN stands for a figure that the data cannot give, such as the
precision of a label that no frame carries.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import xlogy

Array = NDArray[np.float64]


def average_precision_score(truth: ArrayLike, score: ArrayLike) -> float:
    """Mean of the precision at each rise of the recall, ties taken together.

    truth: (N,) 0 or 1. score: (N,), higher = more likely. NaN without a positive.
    """
    truth, score = np.asarray(truth, bool), np.asarray(score, float)
    if not truth.any():
        return float("nan")
    order = np.argsort(-score, kind="stable")
    truth, score = truth[order], score[order]
    last_of_tie = np.append(np.nonzero(np.diff(score))[0], len(score) - 1)
    hits = np.cumsum(truth)[last_of_tie]
    precision = hits / (last_of_tie + 1)
    rise = np.diff(hits, prepend=0) / hits[-1]
    return float((precision * rise).sum())


def threshold_at_false_alarms(truth: ArrayLike, score: ArrayLike, rate: float) -> float:
    """Lowest threshold at which at most `rate` of the negatives reach it (score >= threshold)."""
    negatives = np.sort(np.asarray(score, float)[~np.asarray(truth, bool)])[::-1]
    allowed = int(np.floor(rate * len(negatives) + 1e-9))
    if allowed >= len(negatives):
        return float("-inf")
    return float(np.nextafter(negatives[allowed], np.inf))


def recall_score(truth: ArrayLike, given: ArrayLike) -> float:
    """Share of the positives that are given the label; NaN without a positive."""
    truth = np.asarray(truth, bool)
    return float(np.asarray(given, bool)[truth].mean()) if truth.any() else float("nan")


def recall_at_false_alarms_score(truth: ArrayLike, score: ArrayLike, rate: float) -> float:
    """Recall at the threshold that lets `rate` of the negatives through."""
    threshold = threshold_at_false_alarms(truth, score, rate)
    return recall_score(truth, np.asarray(score, float) >= threshold)


def precision_at_prevalence(recall: float, false_alarms: float, prevalence: float) -> float:
    """Share of given labels that are right where `prevalence` of the frames have the fault."""
    right = recall * prevalence
    wrong = false_alarms * (1 - prevalence)
    return right / (right + wrong) if right + wrong > 0 else float("nan")


def binomial_error(share: float, count: int) -> float:
    """Standard error of a share found in `count` independent trials."""
    return float(np.sqrt(share * (1 - share) / count)) if count else float("nan")


def log_loss(truth: ArrayLike, probability: ArrayLike, weight: ArrayLike | None = None) -> float:
    """Weighted mean of -log of the probability given to what is true, in nats."""
    true = np.asarray(truth, float)
    answer = np.clip(np.asarray(probability, float), 1e-7, 1 - 1e-7)
    loss = -(xlogy(true, answer) + xlogy(1 - true, 1 - answer))
    weights = None if weight is None else np.asarray(weight, float)
    return float(np.average(loss, weights=weights))


def calibration_error(
    truth: ArrayLike,
    probability: ArrayLike,
    bins: int = 15,
    weight: ArrayLike | None = None,
) -> float:
    """Expected calibration error over bins of equal width.

    Sum over the bins of their share of the frames times the gap between mean probability and
    share of positives. Even a perfect model does not reach 0: see `calibration_floor`.
    """
    truth, probability = np.asarray(truth, float), np.asarray(probability, float)
    weights = np.ones_like(probability) if weight is None else np.asarray(weight, float)
    which = np.clip((probability * bins).astype(int), 0, bins - 1)
    gap = np.bincount(which, weights * (probability - truth), bins)
    return float(np.abs(gap).sum() / weights.sum())


def calibration_floor(
    probability: ArrayLike,
    rng: np.random.Generator,
    bins: int = 15,
    draws: int = 200,
    weight: ArrayLike | None = None,
) -> tuple[float, float]:
    """Mean and 95th percentile of the calibration error of a perfect model of these answers.

    The truth is drawn from the probabilities themselves, `draws` times.
    """
    probability = np.asarray(probability, float)
    errors = [
        calibration_error(rng.random(len(probability)) < probability, probability, bins, weight)
        for _ in range(draws)
    ]
    return float(np.mean(errors)), float(np.quantile(errors, 0.95))


def reliability(truth: ArrayLike, probability: ArrayLike, bins: int = 15) -> list[dict[str, Any]]:
    """The reliability curve: per filled bin its count, mean probability, share of positives."""
    truth, probability = np.asarray(truth, float), np.asarray(probability, float)
    which = np.clip((probability * bins).astype(int), 0, bins - 1)
    return [
        {
            "count": int(inside.sum()),
            "probability": float(probability[inside].mean()),
            "positives": float(truth[inside].mean()),
        }
        for inside in (which == index for index in range(bins))
        if inside.any()
    ]


def bootstrap_interval(
    figure: Callable[[NDArray[np.intp]], float],
    groups: ArrayLike,
    rng: np.random.Generator,
    draws: int = 200,
    level: float = 0.95,
) -> tuple[float, float]:
    """Percentile interval of a figure under resampling of whole groups.

    figure: row numbers (with repeats) -> value. groups: (N,) the group of each row; frames of
    one run share rig and field, so rows are no independent draws, but runs are.
    """
    _, which = np.unique(np.asarray(groups), return_inverse=True)
    order = np.argsort(which, kind="stable")
    members = np.split(order, np.cumsum(np.bincount(which))[:-1])
    values = []
    for _ in range(draws):
        drawn = rng.integers(0, len(members), len(members))
        value = figure(np.concatenate([members[index] for index in drawn]))
        if np.isfinite(value):
            values.append(value)
    if not values:
        return float("nan"), float("nan")
    tail = (1 - level) / 2
    return float(np.quantile(values, tail)), float(np.quantile(values, 1 - tail))
