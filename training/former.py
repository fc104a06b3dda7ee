"""A model beside a former one on the same rendered frames: what has become better, and how surely.

Both judge every frame as it is rendered, each with its own calibration and thresholds. Intervals
of the differences resample runs, the same ones for both, so that runs that are hard for both
widen nothing.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from classifier.vocabulary import KEYS, Verdict
from classifier.weights import Model
from training.answers import Answers
from training.draws import Draws, Mask, average_precision, mean_of
from training.overview import Outcome, is_clean, of_answers, placed

Array = NDArray[np.float64]


def former_figures(
    model: Model, answers: Answers, former: Model, earlier: Answers, seed: int
) -> dict[str, Any]:
    """Figures of a model and of a former one, and their differences, each with its interval.

    answers, earlier: what the two said of the same frames, in the same order.
    """
    draws = Draws(answers.run, np.random.default_rng(seed))
    outcomes = of_answers(model, answers), of_answers(former, earlier)
    new, old = (_precisions(outcome, draws) for outcome in outcomes)
    macro = _compared(mean_of(list(new.values())), mean_of(list(old.values())), draws)
    told = {"macro_average_precision": macro}
    shares = [_shares(outcome) for outcome in outcomes]
    for name, (given, among) in shares[0].items():
        this, before = draws.share(given, among), draws.share(shares[1][name][0], among)
        told[name] = _compared(this, before, draws) | {
            "this": draws.of_share(this, among),
            "former": draws.of_share(before, among),
        }
    return {
        "model": former.name,
        "weights_sha256": former.sha256,
        "frames": len(answers.run),
        "runs": draws.groups,
        "faults": {key: _compared(new[key], old[key], draws) for key in KEYS},
        **told,
    }


def _compared(new: Array, old: Array, draws: Draws) -> dict[str, dict[str, float]]:
    """(D,) values of both models -> their estimates and that of the difference."""
    return {
        "this": draws.estimate(new),
        "former": draws.estimate(old),
        "difference": draws.estimate(new - old),
    }


def _precisions(outcome: Outcome, draws: Draws) -> dict[str, Array]:
    """(D,) average precisions by fault."""
    precision = {}
    for column, key in enumerate(KEYS):
        rows = outcome.scored[:, column]
        truth = outcome.targets[rows, column] == 1
        precision[key] = average_precision(draws.of(rows), truth, outcome.rank[rows, column])
    return precision


def _shares(outcome: Outcome) -> dict[str, tuple[Mask, Mask]]:
    """By name: frames (N,) that are counted, and among which; the latter hangs on no model."""
    clean, faulty = is_clean(outcome), (outcome.targets == 1).any(1)
    return {
        "right_in_first_two": (placed(outcome), faulty),
        "clean_with_false_label": ((outcome.given & (outcome.targets == 0)).any(1), clean),
        "clean_kept": (outcome.verdict == Verdict.KEEP, clean),
    }
