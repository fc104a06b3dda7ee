"""What rendered, grafted and real frames have in common, on outcomes small enough to count."""

from dataclasses import replace

import numpy as np
import pytest
from sklearn.metrics import average_precision_score
from small_model import write_small_model

from classifier.vocabulary import FAULTS, INDEX, KEYS
from classifier.weights import load_model
from training.answers import Answers
from training.draws import Draws
from training.overview import LEFT_OUT, Outcome, of_answers, overview, placed

TRAIL, DRIFT, CLOUDS, MOTES = (INDEX[k] for k in ("trail", "drift", "clouds", "dust_motes"))
PRIOR = dict.fromkeys(KEYS, 0.05)


def outcome(shown=None, **changes) -> Outcome:
    """Six frames: clean, clean but for an unsure drift, a trail, dust, a drift, no sky."""
    targets = np.zeros((6, len(KEYS)))
    targets[1, DRIFT] = np.nan
    targets[2, TRAIL] = targets[3, MOTES] = targets[4, DRIFT] = 1
    targets[5] = np.nan
    shown = np.full(targets.shape, 0.01) if shown is None else shown
    known = {
        "rank": shown,
        "shown": shown,
        "given": shown >= 0.5,
        "targets": targets,
        "scored": ~np.isnan(targets),
        "group": np.array([0, 0, 1, 1, 2, 2]),
        "verdict": np.array(["keep", "look", "drop", "keep", "keep", "look"]),
        "is_sky": np.array([True] * 5 + [False]),
    }
    return Outcome(**known | changes)


def told(made: Outcome) -> dict:
    rng = np.random.default_rng(1)
    return overview(made, PRIOR, Draws(made.group, rng), rng)


def test_frames_are_counted():
    found = told(outcome())
    assert (found["frames"], found["groups"]) == (6, 3)
    assert (found["clean_frames"], found["faulty_frames"]) == (2, 3)
    assert found["faults"]["drift"]["positives"] == 1
    assert found["faults"]["drift"]["negatives"] == 3, "unsure and not sky are left out"
    assert found["faults"]["trail"]["negatives"] == 4


def test_the_right_label_in_the_first_two_places():
    shown = np.full((6, len(KEYS)), 0.01)
    shown[2, [TRAIL, CLOUDS]] = 0.9, 0.95  # second, and given
    shown[3, [CLOUDS, DRIFT, MOTES]] = 0.9, 0.8, 0.7  # third
    shown[4, [DRIFT, CLOUDS]] = 0.3, 0.2  # first, but not given
    made = outcome(shown)
    assert placed(made).tolist() == [False, False, True, False, True, False]
    found = told(made)
    assert found["right_in_first_two"]["value"] == pytest.approx(2 / 3)
    assert found["right_in_first_two_and_given"]["value"] == pytest.approx(1 / 3)


def test_what_nobody_can_tell_takes_no_place():
    shown = np.full((6, len(KEYS)), 0.01)
    shown[2, [TRAIL, CLOUDS, DRIFT]] = 0.5, 0.9, 0.8
    made = outcome(shown)
    assert not placed(made)[2]
    made.targets[2, CLOUDS] = np.nan
    assert placed(made)[2]


def test_false_labels_on_clean_frames_are_of_known_faults():
    shown = np.full((6, len(KEYS)), 0.01)
    shown[1, DRIFT] = 0.9  # of this frame nobody knows whether it drifts
    shown[0, CLOUDS] = 0.9
    found = told(outcome(shown))
    assert found["clean_with_false_label"]["value"] == pytest.approx(1 / 2)
    assert found["faults"]["drift"]["false_alarms_on_clean"]["value"] == 0
    assert found["faults"]["clouds"]["false_alarms_on_clean"]["value"] == pytest.approx(1 / 2)


def test_verdicts_are_set_against_the_truth():
    found = told(outcome())
    assert found["clean_kept"]["value"] == pytest.approx(1 / 2)
    table = {
        kind: (row["frames"], [row[v]["value"] for v in ("keep", "look", "drop")])
        for kind, row in found["verdicts"].items()
    }
    assert table == {
        "clean": (1, [1, 0, 0]),
        "unsure": (1, [0, 1, 0]),
        "faulty": (3, [pytest.approx(2 / 3), 0, pytest.approx(1 / 3)]),
        "spoilt": (1, [1, 0, 0]),
        "mendable": (2, [0.5, 0, 0.5]),
        "not_sky": (1, [0, 1, 0]),
    }


def test_average_precision_and_its_interval_over_groups():
    rng = np.random.default_rng(4)
    frames = 400
    targets = np.zeros((frames, len(KEYS)))
    targets[:, TRAIL] = rng.random(frames) < 0.3
    shown = np.full(targets.shape, 0.01)
    shown[:, TRAIL] = np.clip(0.3 + 0.3 * targets[:, TRAIL] + rng.normal(0, 0.2, frames), 0, 1)
    made = Outcome(
        shown, shown, shown >= 0.5, targets, np.ones(targets.shape, bool),
        np.arange(frames) // 4, np.full(frames, "keep"), np.ones(frames, bool),
    )  # fmt: skip
    row = told(made)["faults"]["trail"]["average_precision"]
    assert row["value"] == pytest.approx(
        average_precision_score(targets[:, TRAIL], shown[:, TRAIL])
    )
    assert row["low"] < row["value"] < row["high"]
    # The same frames in two groups: nothing bounds the figure.
    few = told(replace(made, group=np.arange(frames) % 2))["faults"]["trail"]["average_precision"]
    assert few["value"] == row["value"]
    assert np.isnan(few["low"]) and np.isnan(few["high"])
    assert told(made)["macro_average_precision"]["value"] == pytest.approx(row["value"])


def test_verdicts_without_measures_follow_the_rules(tmp_path):
    """Eight frames of one run. Platt of the small model: logit' = a half, less 1, and the shift
    from a fifth to a twentieth, 1.56: the label is given from 0.6, that is a logit of 5.93."""
    model = load_model(write_small_model(tmp_path / "small"))
    model.config["unfamiliar_threshold"] = 1.1  # its features mean nothing
    clean = np.array([row.clean_below for row in FAULTS], np.float32)
    logits = np.full((8, len(KEYS)), -9.0)
    logits[1, CLOUDS] = 20.0  # far above 90 %: costs the sub without a measure
    logits[2, CLOUDS] = 7.5  # given, but under 90 %: only a measure could bear it out
    logits[3, MOTES] = 20.0  # flats mend it
    answers = Answers(
        np.zeros((8, 32), np.float32), logits, logits, np.tile(clean, (8, 1)), np.zeros(8, int)
    )
    made = of_answers(model, answers)
    assert 0.6 < made.shown[2, CLOUDS] < 0.9 < made.shown[1, CLOUDS]
    assert made.verdict.tolist() == ["keep", "drop", "look", "keep", "keep", "keep", "keep", "keep"]
    assert made.left_out == LEFT_OUT
