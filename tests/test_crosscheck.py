"""Agreement of model and measure, kappa against the textbook formula, and the disputed frames."""

import math

import pytest

from classifier.crosscheck import (
    BOTH,
    MEASURE_ONLY,
    MEASURE_UNKNOWN,
    MODEL_ONLY,
    NEITHER,
    agreement,
    agreements,
    disputes,
    tallies,
)
from classifier.vocabulary import KEYS


def entry(path, model=(), measure=(), unknown=(), confidence=0.9, value=None, error=None):
    states = {key: "yes" if key in measure else "no" for key in KEYS}
    states |= dict.fromkeys(unknown, "unknown")
    return {
        "path": path,
        "faults": list(model),
        "confidence": {key: confidence if key in model else 0.05 for key in KEYS},
        "evidence": {
            key: {"state": state, "value": value, "unit": "sigma", "threshold": 8.0}
            for key, state in states.items()
        },
        "error": error,
    }


@pytest.mark.parametrize(
    ("model", "state", "said"),
    [
        (True, "yes", BOTH),
        (True, "no", MODEL_ONLY),
        (False, "yes", MEASURE_ONLY),
        (False, "no", NEITHER),
        (True, "unknown", MEASURE_UNKNOWN),
        (False, "unknown", MEASURE_UNKNOWN),
    ],
)
def test_agreement(model, state, said):
    assert agreement(model, state) == said


def test_agreement_refuses_other_states():
    with pytest.raises(ValueError, match="none of 'yes', 'no' and 'unknown'"):
        agreement(True, "maybe")


def table(both, model_only, measure_only, neither, unknown=0):
    frames = [entry(f"a{i}", ["trail"], ["trail"]) for i in range(both)]
    frames += [entry(f"b{i}", ["trail"]) for i in range(model_only)]
    frames += [entry(f"c{i}", [], ["trail"]) for i in range(measure_only)]
    frames += [entry(f"d{i}") for i in range(neither)]
    return frames + [entry(f"e{i}", ["trail"], unknown=["trail"]) for i in range(unknown)]


def test_kappa_is_agreement_beyond_chance():
    """Cohen 1960, Educ. Psychol. Meas. 20, 37 (from memory): (p_o - p_e) / (1 - p_e)."""
    trail = tallies(table(20, 5, 10, 15, unknown=7))["trail"]
    assert trail.counts == {
        BOTH: 20,
        MODEL_ONLY: 5,
        MEASURE_ONLY: 10,
        NEITHER: 15,
        MEASURE_UNKNOWN: 7,
    }
    assert trail.compared == 50
    observed = 35 / 50
    chance = (25 * 30 + 25 * 20) / 50**2  # yes of both margins, plus no of both
    assert trail.kappa == pytest.approx((observed - chance) / (1 - chance))
    assert trail.kappa == pytest.approx(0.4)


def test_kappa_is_unknown_where_there_is_nothing_to_compare():
    assert math.isnan(tallies(table(0, 0, 0, 12))["trail"].kappa)
    assert math.isnan(tallies(table(0, 0, 0, 0, unknown=5))["trail"].kappa)
    assert tallies(table(6, 0, 0, 6))["trail"].kappa == pytest.approx(1.0)
    assert tallies(table(0, 6, 6, 0))["trail"].kappa == pytest.approx(-1.0)


def test_unreadable_frames_are_left_out():
    frames = [*table(1, 0, 0, 1), entry("broken", error="It is empty.")]
    assert agreements(frames[-1]) == {}
    assert sum(tallies(frames)["trail"].counts.values()) == 2


def test_thresholds_replace_the_labels():
    frame = entry("a", ["trail"], ["trail"], confidence=0.7)
    strict, loose = dict.fromkeys(KEYS, 0.8), dict.fromkeys(KEYS, 0.5)
    assert agreements(frame, strict)["trail"] == MEASURE_ONLY
    assert agreements(frame, loose)["trail"] == BOTH


def test_disputes_begin_with_the_surest():
    frames = [
        entry("slight", ["trail"], value=7.5, confidence=0.9),
        entry("clear", ["trail"], value=0.5, confidence=0.9),
        entry("doubtful", ["trail"], value=0.5, confidence=0.6),
        entry("agreed", ["trail"], ["trail"], value=20.0),
    ]
    ranked = [one for one in disputes(frames) if one.fault == "trail"]
    assert [one.path for one in ranked] == ["clear", "doubtful", "slight"]
    assert ranked[0].agreement == MODEL_ONLY
    assert 0 <= ranked[-1].weight < 0.1 < ranked[0].weight <= 1
