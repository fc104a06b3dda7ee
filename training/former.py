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
from training.draws import Draws, average_precision, mean_of
from training.overview import Outcome, is_clean, of_answers, placed

Array = NDArray[np.float64]


def former_figures(
    model: Model, answers: Answers, former: Model, earlier: Answers, seed: int
) -> dict[str, Any]:
    """Figures of a model and of a former one, and their differences, each with its interval.

    answers, earlier: what the two said of the same frames, in the same order.
    """
    draws = Draws(answers.run, np.random.default_rng(seed))
    new, old = (
        _figures(of_answers(model, answers), draws),
        _figures(of_answers(former, earlier), draws),
    )
    told = {
        name: {
            "this": draws.estimate(values),
            "former": draws.estimate(old[name]),
            "difference": draws.estimate(values - old[name]),
        }
        for name, values in new.items()
    }
    return {
        "model": former.name,
        "weights_sha256": former.sha256,
        "frames": len(answers.run),
        "runs": draws.groups,
        "faults": {key: told.pop(key) for key in KEYS},
        **told,
    }


def _figures(outcome: Outcome, draws: Draws) -> dict[str, Array]:
    """(D,) values of every figure that is compared: average precision by fault, and others."""
    precision = {}
    for column, key in enumerate(KEYS):
        rows = outcome.scored[:, column]
        truth = outcome.targets[rows, column] == 1
        precision[key] = average_precision(draws.of(rows), truth, outcome.rank[rows, column])
    clean, faulty = is_clean(outcome), (outcome.targets == 1).any(1)
    false = (outcome.given & (outcome.targets == 0)).any(1)
    return {
        **precision,
        "macro_average_precision": mean_of(list(precision.values())),
        "right_in_first_two": draws.share(placed(outcome), faulty),
        "clean_with_false_label": draws.share(false, clean),
        "clean_kept": draws.share(outcome.verdict == Verdict.KEEP, clean),
    }
