"""The card's figures, on answers made up so that the right figures are known."""

import json
import math

import numpy as np
import pytest
from small_model import MADE, write_small_model

from classifier.vocabulary import FAULTS, INDEX, KEYS
from classifier.weights import load_model
from training.card import card_text
from training.evaluate import Answers, figures_of, write_figures

COUNTS = np.array([row.counts_from for row in FAULTS])
CLEAN = np.array([row.clean_below for row in FAULTS])
FAULTY_LOGIT, CLEAN_LOGIT = 9.0, -9.0


def answers_of(frames: int = 400, seed: int = 1) -> Answers:
    """Every fault in an eighth of the frames; a model that is always right and sure."""
    rng = np.random.default_rng(seed)
    faulty = rng.random((frames, len(KEYS))) < 0.125
    faulty[: frames // 4] = False
    strength = np.where(faulty, COUNTS * np.where(COUNTS > CLEAN, 2.0, 0.5), CLEAN)
    logits = np.where(faulty, FAULTY_LOGIT, CLEAN_LOGIT) + rng.normal(0, 0.1, faulty.shape)
    return Answers(
        rng.normal(size=(frames, 32)).astype(np.float32),
        logits,
        logits.copy(),
        strength.astype(np.float32),
        np.arange(frames) // 4,
    )


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return load_model(write_small_model(tmp_path_factory.mktemp("models") / "small"))


def test_a_model_that_is_always_right(model):
    figures = figures_of(model, answers_of(), seed=1)
    assert list(figures["macro_average_precision"].values()) == pytest.approx([1, 1, 1])
    assert figures["clean_with_any_label"] == 0
    for key in KEYS:
        row = figures["faults"][key]
        assert row["average_precision"] == pytest.approx(1)
        assert row["recall_at_1pct_false_alarms"] == row["recall"] == 1
        assert row["false_alarms"] == 0
        assert 0 < row["positives"] < 100
        assert row["positives"] + row["negatives"] == 400
    assert figures["groups"]["elongated"]["average_precision"] == pytest.approx(1)
    smeared = [INDEX[key] for key in ("drift", "vibration", "guiding_loss")]
    one_at_least = (answers_of().targets[:, smeared] == 1).any(1)
    assert figures["groups"]["elongated"]["positives"] == one_at_least.sum()
    assert figures["confusion"]["trail"]["clouds"] == 0


def test_soft_and_unknown_frames_are_left_out_for_their_fault_only(model):
    answers = answers_of()
    before = figures_of(model, answers, seed=1)["faults"]
    column = INDEX["gradient"]
    half = 0.5 * (COUNTS[column] + CLEAN[column])
    changed = answers_of().strength
    changed[300:350, column], changed[350:, column] = half, np.nan
    soft = Answers(answers.features, answers.beside, answers.alone, changed, answers.run)
    after = figures_of(model, soft, seed=1)["faults"]
    assert after["gradient"]["positives"] + after["gradient"]["negatives"] == 300
    assert after["gradient"]["average_precision"] == pytest.approx(1)
    assert after["trail"]["positives"] == before["trail"]["positives"]
    # Soft frames still tell how the share labelled depends on strength.
    weakest = after["gradient"]["recall_by_strength"][0]
    assert weakest["from"] == pytest.approx(half)


def test_what_is_the_same_light_counts_jointly_where_it_cannot_be_told_apart(model):
    answers = answers_of()
    drift, vibration = INDEX["drift"], INDEX["vibration"]
    only = (answers.targets[:, drift] == 1) & (answers.targets[:, vibration] == 0)
    # Weak drifts, each taken for a vibration: wrong singly, right for the pair.
    changed, beside = answers.strength.copy(), answers.beside.copy()
    changed[only, drift] = 1.5
    beside[only, drift], beside[only, vibration] = CLEAN_LOGIT, FAULTY_LOGIT
    weak = Answers(answers.features, beside, answers.alone, changed, answers.run)
    figures = figures_of(model, weak, seed=1)
    pair = figures["same_light"]["vibration or drift"]
    assert pair["positives"] == only.sum()
    assert pair["average_precision"] == pytest.approx(1)
    row = figures["faults"]["vibration"]
    assert row["positives"] + row["negatives"] == 400 - only.sum()
    assert row["average_precision"] == pytest.approx(1)
    assert row["average_precision_every_strength"] < 0.8


def test_a_short_path_of_lost_guiding_counts_with_the_motions_it_looks_like(model):
    answers = answers_of()
    guiding, vibration = INDEX["guiding_loss"], INDEX["vibration"]
    only = (answers.targets[:, guiding] == 1) & (answers.targets[:, vibration] == 0)
    beside = answers.beside.copy()
    beside[only, guiding], beside[only, vibration] = CLEAN_LOGIT, FAULTY_LOGIT

    def told(path):
        changed = answers.strength.copy()
        changed[only, guiding] = path
        taken = Answers(answers.features, beside, answers.alone, changed, answers.run)
        return figures_of(model, taken, seed=1)

    short, long = told(2.3), told(2.5)
    pair = short["same_light"]["vibration or guiding_loss"]
    assert pair["positives"] == only.sum()
    assert pair["average_precision"] == pytest.approx(1)
    assert short["faults"]["vibration"]["average_precision"] == pytest.approx(1)
    # From 2.4 on it is an error to call it a vibration.
    assert long["same_light"]["vibration or guiding_loss"]["positives"] == 0
    assert long["faults"]["vibration"]["average_precision"] < 0.8
    # Paths and axis ratios are no strengths of one scale.
    assert "sensitivity" not in pair and "sensitivity" in short["same_light"]["vibration or drift"]


def test_a_wrong_label_shows_as_confusion_and_false_alarm(model):
    answers = answers_of()
    drift, vibration = INDEX["drift"], INDEX["vibration"]
    faulty = answers.targets[:, drift] == 1
    answers.beside[faulty, vibration] = FAULTY_LOGIT
    figures = figures_of(model, answers, seed=1)
    assert figures["confusion"]["drift"]["vibration"] == 1
    assert figures["confusion"]["drift"]["trail"] == 0
    wrong = (faulty & (answers.targets[:, vibration] == 0)).sum()
    free = (answers.targets[:, vibration] == 0).sum()
    assert figures["faults"]["vibration"]["false_alarms"] == pytest.approx(wrong / free)
    assert figures["faults"]["vibration"]["false_alarms_on_clean"] == 0
    # As a group the two are the same light: no error there.
    assert figures["groups"]["elongated"]["average_precision"] == pytest.approx(1)


def test_false_alarms_on_clean_frames_are_counted_over_all_faults(model):
    answers = answers_of()
    clean = np.nonzero((answers.targets == 0).all(1))[0]
    for number, row in enumerate(clean[:10]):
        answers.beside[row, number % 5] = FAULTY_LOGIT
    figures = figures_of(model, answers, seed=1)
    assert figures["clean_frames"] == len(clean)
    assert figures["clean_with_any_label"] == pytest.approx(10 / len(clean))


def test_calibration_error_of_a_sure_and_right_model_is_known(model):
    """Platt of the small model: logit' = 0.5 * 9 - 1 = 3.5 and -5.5, at a prevalence of 0.2."""
    row = figures_of(model, answers_of(), seed=1)["faults"]["trail"]
    share = row["positives"] / 400
    gap_faulty, gap_clean = 1 / (1 + math.exp(3.5)), 1 / (1 + math.exp(5.5))
    expected = share * gap_faulty + (1 - share) * gap_clean
    # The 0.1 of noise on the logits changes these small gaps by a few percent.
    assert row["calibration_error"] == pytest.approx(expected, rel=0.1)


def test_a_fault_no_frame_has_gives_unknown_figures_and_a_card(model, tmp_path):
    answers = answers_of()
    answers.strength[:, INDEX["reflection"]] = CLEAN[INDEX["reflection"]]
    none = Answers(answers.features, answers.beside, answers.alone, answers.strength, answers.run)
    figures = figures_of(model, none, seed=1)
    assert math.isnan(figures["faults"]["reflection"]["average_precision"])
    write_figures(figures, tmp_path / "figures.json")
    written = json.loads((tmp_path / "figures.json").read_text())
    assert written["faults"]["reflection"]["average_precision"] is None
    card = card_text(model.config | {"training": MADE}, figures)
    assert "a command" in card
    assert all(f"| {key} |" in card for key in KEYS)
    assert "nan" not in card
    assert "each fault has 5.0 % of the frames." in card
    other = model.with_prior({"clouds": 0.3}).config | {"training": MADE}
    assert "5.0 % of the frames, except clouds 30 %." in card_text(other, figures)
