"""Forests on measures: each answer for unseen runs, and the better of two answers is found."""

import numpy as np
import pytest
from scipy.stats import spearmanr
from sklearn.metrics import average_precision_score, roc_auc_score

from training.forests import cross_fitted

RUNS, EACH = 60, 6
RUN = np.repeat(np.arange(RUNS), EACH)


def test_a_run_learned_by_heart_is_worth_nothing():
    """A column that names the run tells all about runs seen, nothing about others."""
    rng = np.random.default_rng(1)
    runs = 150
    run = np.repeat(np.arange(runs), 3)
    truth = (rng.permutation(runs) < runs // 2)[run]
    # Many columns by which a run can be recognised.
    table = rng.normal(size=(runs, 8))[run] + 0.001 * rng.normal(size=(len(run), 8))
    found = cross_fitted(table, truth, *rng.normal(size=(2, len(run))), run, seed=1, trees=8)
    # Area under the ROC curve of chance among 75 + 75 runs: 0.5, standard deviation
    # sqrt(151 / (12 x 75 x 75)) = 0.047 (Mann and Whitney 1947), doubled because runs that lie
    # close together answer for one another; learned by heart it is 1.
    assert abs(roc_auc_score(truth, found.forest) - 0.5) < 2 * 2 * 0.047


def test_both_together_find_what_either_sees():
    rng = np.random.default_rng(2)
    truth = rng.random(len(RUN)) < 0.3
    first, second = rng.normal(size=(2, len(RUN))) + 1.5 * truth
    noise = rng.normal(size=(len(RUN), 4))
    none = np.zeros(len(RUN))
    table = np.column_stack([noise, first])
    found = cross_fitted(table, truth, 1.7 * second, none, RUN, 3, trees=30)
    paired = cross_fitted(noise, truth, 1.7 * second, first, RUN, 3, trees=2).paired
    alone = roc_auc_score(truth, second)
    # Two independent normal scores 1.5 apart: d' = 1.5 alone and 1.5 sqrt(2) = 2.12 for their
    # sum; areas Phi(d' / sqrt 2) = 0.856 and 0.933. With 108 positives the standard error is
    # about 0.02; the forest's own steps cost some of it.
    assert alone == pytest.approx(0.856, abs=0.06)
    assert roc_auc_score(truth, found.together) == pytest.approx(0.92, abs=0.05)
    assert roc_auc_score(truth, found.together) > alone + 0.02
    assert np.argmax(found.importance) == 4
    # The weighed sum of two scores loses nothing.
    assert roc_auc_score(truth, paired) == pytest.approx(
        roc_auc_score(truth, first + second), abs=0.01
    )
    # A verdict that says nothing leaves the order of the network.
    assert spearmanr(found.paired, second).statistic > 0.97


def test_useless_measures_leave_the_network_as_it_is():
    rng = np.random.default_rng(4)
    truth = rng.random(len(RUN)) < 0.3
    network = rng.normal(size=len(RUN)) + 2.0 * truth
    table = rng.normal(size=(len(RUN), 3))
    table[::3, 0] = np.nan  # not measured
    found = cross_fitted(table, truth, network, rng.normal(size=len(RUN)), RUN, 1, trees=10)
    assert spearmanr(network, found.together).statistic > 0.95
    own, joint = (average_precision_score(truth, each) for each in (network, found.together))
    assert joint == pytest.approx(own, abs=0.04)


def test_a_fault_that_no_other_run_has():
    """Nothing to learn from: the answers are numbers all the same."""
    truth = np.zeros(len(RUN), bool)
    truth[:EACH] = True
    network = np.linspace(1, 0, len(RUN))
    found = cross_fitted(np.ones((len(RUN), 2)), truth, network, network, RUN, 1, trees=5)
    assert np.isfinite(found.forest).all() and np.isfinite(found.together).all()
    with pytest.raises(ValueError, match="give two or more"):
        cross_fitted(np.ones((6, 1)), truth[:6], network[:6], network[:6], RUN[:6], 1)
