"""Model and measures against the truth, held to scikit-learn and scipy."""

import math

import numpy as np
import pytest
from scipy.stats import binomtest
from sklearn.metrics import average_precision_score, precision_score, recall_score

from classifier.results import FrameResult
from classifier.scores import score, standing, wilson_interval
from classifier.truth import Truth, TruthTable
from classifier.vocabulary import KEYS

LEVEL = 8.0
# Of ten subs: has a trail, the model's confidence, the measure's answer and value.
SUBS = (
    (1, 0.99, "yes", 20.0),
    (1, 0.90, "no", 5.0),
    (1, 0.30, "yes", 9.0),
    (1, 0.20, "unknown", None),
    (0, 0.80, "no", 1.0),
    (0, 0.10, "yes", 12.0),
    (0, 0.05, "no", 2.0),
    (0, 0.04, "no", 3.0),
    (0, 0.03, "unknown", 4.0),
    (0, 0.02, "no", 0.0),
)


@pytest.fixture(scope="module")
def trail():
    frames, rows = [], {}
    for i, (has, confidence, state, value) in enumerate(SUBS):
        evidence = {key: {"state": "unknown", "value": None, "threshold": None} for key in KEYS}
        evidence["trail"] = {"state": state, "value": value, "threshold": LEVEL}
        frames.append(
            FrameResult(
                f"{i}.fits",
                faults=["trail"] if confidence >= 0.5 else [],
                confidence=dict.fromkeys(KEYS, 0.01) | {"trail": confidence},
                evidence=evidence,
            )
        )
        rows[f"{i}.fits"] = Truth(frozenset({"trail"} if has else ()), frozenset())
    frames.append(FrameResult("10.fits", faults=["trail"]))  # nobody tells its truth
    frames.append(FrameResult("11.fits", error="It is empty."))
    rows["11.fits"] = Truth(frozenset({"trail"}), frozenset())
    scores = score(frames, TruthTable(rows))
    assert scores.frames == len(SUBS)
    return scores.faults[KEYS.index("trail")]


def test_counts(trail):
    assert (trail.positives, trail.negatives, trail.judged) == (4, 6, 8)


@pytest.mark.parametrize("side", ["model", "measure"])
def test_figures_against_scikit_learn(trail, side):
    truth = [has for has, *_ in SUBS]
    if side == "model":
        given = [confidence >= 0.5 for _, confidence, _, _ in SUBS]
        rank = [confidence for _, confidence, _, _ in SUBS]
    else:
        given = [state == "yes" for *_, state, _ in SUBS]
        # By hand: yes before unknown before no, larger values first, no number in the middle
        # (4 is half the level: before it stands the unknown without a number).
        order = [0, 5, 2, 3, 8, 1, 7, 6, 4, 9]
        rank = [-order.index(i) for i in range(len(SUBS))]
    found = getattr(trail, side)
    assert found.average_precision == pytest.approx(average_precision_score(truth, rank))
    assert found.recall == pytest.approx(recall_score(truth, given))
    assert found.precision == pytest.approx(precision_score(truth, given))
    wrong = sum(g and not t for t, g in zip(truth, given, strict=True))
    assert found.false_alarms == pytest.approx(wrong / 6)


def test_unsure_subs_are_not_scored():
    confidence = dict.fromkeys(KEYS, 0.5)
    frame = FrameResult("a.fits", faults=["drift"], confidence=confidence)
    table = TruthTable({"a.fits": Truth(frozenset(), frozenset({"drift"}))})
    scores = score([frame], table)
    drift, trail = (scores.faults[KEYS.index(key)] for key in ("drift", "trail"))
    assert (drift.positives, drift.negatives) == (0, 0)
    assert (trail.positives, trail.negatives) == (0, 1)
    assert math.isnan(drift.model.average_precision)
    assert math.isnan(scores.macro("model"))


def test_standing_follows_the_direction_of_the_fault():
    """Signal and plane ratio are faulty when small."""

    def of(key, value, state="no"):
        return standing(key, {"state": state, "value": value, "threshold": 3.0})

    assert of("low_signal", 4.0) > of("low_signal", 40.0)
    assert of("trail", 2.0) > of("trail", 1.0) > of("trail", -5.0)
    assert of("trail", 1.0, "unknown") > of("trail", 900.0)


@pytest.mark.parametrize(("count", "total"), [(0, 7), (3, 10), (95, 100), (5, 5)])
def test_interval_against_scipy(count, total):
    expected = binomtest(count, total).proportion_ci(0.95, method="wilson")
    assert wilson_interval(count, total) == pytest.approx((expected.low, expected.high), abs=1e-6)
    assert np.isnan(wilson_interval(0, 0)).all()
