"""Two models on the same frames: figures and differences known beforehand.

Outside reference: scikit-learn's average precision.
"""

import numpy as np
import pytest
from sklearn.metrics import average_precision_score
from small_model import MADE, fitted, small_network, write_small_model
from test_evaluate import FAULTY_LOGIT, answers_of

from classifier.vocabulary import INDEX, KEYS
from classifier.weights import load_model
from training.answers import Answers
from training.card import card_text
from training.card_comparisons import former_line
from training.export import write_model
from training.figures import figures_of
from training.former import former_figures

TRAIL = INDEX["trail"]


@pytest.fixture
def models(tmp_path):
    write_model(tmp_path / "new", small_network(), fitted(), 0.9, MADE)
    old = write_small_model(tmp_path / "old", small_network(seed=2))
    return load_model(tmp_path / "new"), load_model(old)


def worse(answers: Answers) -> Answers:
    """Trails told by chance, and every fourth clean frame called cloudy."""
    logits = answers.beside.copy()
    logits[:, TRAIL] = np.random.default_rng(5).normal(-9, 1, len(logits))
    clean = np.flatnonzero((answers.targets == 0).all(1))
    logits[clean[::4], INDEX["clouds"]] = FAULTY_LOGIT
    return Answers(answers.features, logits, logits, answers.strength, answers.run)


def test_differences_are_those_of_the_figures(models):
    answers = answers_of()
    earlier = worse(answers)
    told = former_figures(models[0], answers, models[1], earlier, 1)
    assert (told["model"], told["weights_sha256"]) == ("old", models[1].sha256)
    assert (told["frames"], told["runs"]) == (400, 100)
    expected = [
        average_precision_score(answers.targets[:, i] == 1, earlier.beside[:, i])
        for i in range(len(KEYS))
    ]
    for key, value in zip(KEYS, expected, strict=True):
        row = told["faults"][key]
        assert row["this"]["value"] == pytest.approx(1)
        assert row["former"]["value"] == pytest.approx(value)
        assert row["difference"]["value"] == pytest.approx(1 - value)
    macro = told["macro_average_precision"]
    assert macro["difference"]["value"] == pytest.approx(1 - np.mean(expected))
    assert 0 < macro["difference"]["low"] < macro["difference"]["high"]
    clean = (answers.targets == 0).all(1).sum()
    share = -(-clean // 4) / clean
    assert told["clean_with_false_label"]["former"]["value"] == pytest.approx(share)
    assert told["clean_with_false_label"]["difference"]["value"] == pytest.approx(-share)
    # None in as many runs: Clopper and Pearson 1934, 1 - 0.025^(1/n).
    runs = len(np.unique(answers.run[(answers.targets == 0).all(1)]))
    assert told["clean_with_false_label"]["this"]["high"] == pytest.approx(1 - 0.025 ** (1 / runs))
    assert told["clean_kept"]["difference"]["value"] > 0
    assert told["right_in_first_two"]["difference"]["value"] > 0


def test_what_is_hard_for_both_widens_nothing(models):
    """The same wrong answers of both: no difference, however wide the interval of each."""
    poor = worse(answers_of())
    told = former_figures(models[0], poor, models[1], poor, 1)
    row = told["faults"]["trail"]
    assert row["this"]["high"] - row["this"]["low"] > 0.02
    assert row["difference"] == {"value": 0, "low": 0, "high": 0}


def test_card_and_terminal_show_both(models):
    answers = answers_of()
    figures = figures_of(models[0], answers, 1)
    assert "Beside the former model" not in card_text(models[0].config, figures)
    figures["former"] = former_figures(models[0], answers, models[1], worse(answers), 1)
    text = card_text(models[0].config, figures)
    assert "| | new | old | difference (95 %) |" in text
    row = figures["former"]["faults"]["trail"]
    shown = next(line for line in text.splitlines() if line.startswith("| AP trail | 1.00"))
    assert f"| {row['former']['value']:.2f} (" in shown
    assert f"| {row['difference']['value']:.2f} (" in shown
    assert "| clean frames with a false label | 0.0 % " in text
    line = former_line(figures)
    assert line.startswith("new beside old on the same subs: macro average precision 1.00")
