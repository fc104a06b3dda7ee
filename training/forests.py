"""A forest on a table of measures, and a network with measures, each answering for unseen runs.

Cross-fitting by run: the runs are divided into parts, and every frame gets its answer from a fit
to the other parts. The weights of the answers together are fitted on answers that are themselves
for unseen runs (a second division, inside), or the forest would be trusted for what it has
learned by heart (stacking: Wolpert 1992, Neural Networks 5, 241).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

PARTS, INNER_PARTS = 3, 4
TREES = 150
LEAF = 2  # frames


@dataclass(frozen=True)
class Fitted:
    """Logits (N,), each frame's from fits without its run.

    forest: of the forest; paired: of network and verdict weighed; together: of all three. part
    (N,): which fit answered; logits of different fits have scales of their own, so frames are
    ranked within a part only. importance (F,): of the table's columns, 0 where no forest could
    be grown.
    """

    forest: Array
    paired: Array
    together: Array
    part: NDArray[np.int64]
    importance: Array


def cross_fitted(
    table: Array,
    truth: NDArray[np.bool_],
    network: Array,
    verdict: Array,
    run: NDArray[np.int64],
    seed: int,
    trees: int = TREES,
) -> Fitted:
    """table (N, F) with NaN where unknown, truth (N,), network (N,) logits, verdict (N,) how far
    the fault's own measure speaks for it, run (N,) -> Fitted."""
    forest, paired, together = (np.zeros(len(truth)) for _ in range(3))
    two = np.stack([network, verdict], 1)
    part, importance = np.zeros(len(truth), np.int64), np.zeros(table.shape[1])
    for number, (fit, held) in enumerate(_parts(truth, run, PARTS, seed)):
        part[held] = number
        inner = np.zeros(len(fit))
        for near, away in _parts(truth[fit], run[fit], INNER_PARTS, seed + 1):
            inner[away], _ = _grown(table, truth, fit[near], fit[away], seed, trees)
        forest[held], weight = _grown(table, truth, fit, held, seed, trees)
        importance += weight
        paired[held] = _joined(two[fit], truth[fit], two[held])
        together[held] = _joined(
            np.column_stack([two[fit], inner]),
            truth[fit],
            np.column_stack([two[held], forest[held]]),
        )
    return Fitted(forest, paired, together, part, importance)


def _parts(
    truth: NDArray[np.bool_], run: NDArray[np.int64], count: int, seed: int
) -> list[tuple[Rows, Rows]]:
    """Divisions into rows to fit and rows held back, whole runs, positives spread evenly."""
    from sklearn.model_selection import StratifiedGroupKFold

    count = min(count, len(np.unique(run)))
    if count < 2:
        raise ValueError(f"{count} run cannot be divided for cross-fitting; give two or more")
    # Of a rare fault some part may have none: whoever fits there answers with the share.
    folds = StratifiedGroupKFold(count, shuffle=True, random_state=seed % 2**32)
    order = np.arange(len(truth))
    rare = truth.sum() < count or (~truth).sum() < count
    labels = np.zeros(len(truth), int) if rare else truth.astype(int)
    return list(folds.split(order, labels, run))


def _grown(
    table: Array, truth: NDArray[np.bool_], fit: Rows, asked: Rows, seed: int, trees: int
) -> tuple[Array, Array]:
    """Logits (len(asked),) of a forest grown on some rows, and the columns' importance."""
    from sklearn.ensemble import RandomForestClassifier

    if truth[fit].all() or not truth[fit].any():
        return np.full(len(asked), _logit(truth[fit].mean(), trees)), np.zeros(table.shape[1])
    forest = RandomForestClassifier(
        trees, min_samples_leaf=LEAF, random_state=seed % 2**32, n_jobs=1
    )
    forest.fit(table[fit], truth[fit])
    return _logit(forest.predict_proba(table[asked])[:, 1], trees), forest.feature_importances_


def _logit(share: Array | float, trees: int) -> Array:
    """Logit of a share of trees, which never claims more than so many trees can tell."""
    counted = (np.asarray(share, float) * trees + 0.5) / (trees + 1)
    return np.log(counted / (1 - counted))


def _joined(known: Array, truth: NDArray[np.bool_], asked: Array) -> Array:
    """Logits of several answers weighed by a logistic regression fitted on `known` (N, K); the
    first of them alone where there is nothing to fit to."""
    from sklearn.linear_model import LogisticRegression

    if truth.all() or not truth.any():
        return asked[:, 0]
    centre, spread = known.mean(0), np.maximum(known.std(0), 1e-6)
    joint = LogisticRegression().fit((known - centre) / spread, truth)
    return np.asarray(joint.decision_function((asked - centre) / spread))
