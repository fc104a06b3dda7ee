"""What each branch is worth: the same answers as leaving it out, and figures known beforehand.

Outside reference: scikit-learn's average precision.
"""

from dataclasses import replace

import numpy as np
import pytest
import torch
from sklearn.metrics import average_precision_score
from small_model import MADE, fitted, small_network
from test_evaluate import FAULTY_LOGIT, answers_of
from test_loop import sample_of

from classifier.network import BRANCHES
from classifier.vocabulary import FAULTS, INDEX, KEYS
from classifier.weights import load_model
from training.ablation import (
    ALL,
    WITHOUT_RUN,
    Ablated,
    ablated,
    ablation_figures,
    variants_of,
)
from training.card import card_text
from training.data import Sample
from training.export import write_model
from training.figures import figures_of

VARIANTS = variants_of(BRANCHES)
NUMBER = {name: number for number, name in enumerate(VARIANTS)}
TRAIL = INDEX["trail"]


def one_run(frames: int) -> Sample:
    return replace(sample_of(frames), run=torch.zeros(frames, dtype=torch.long))


def beside(sample: Sample, features: torch.Tensor) -> torch.Tensor:
    """The context of one run, its company by NumPy's median, the lower of two middle ones."""
    middle = np.sort(features.numpy(), 0)[(len(features) - 1) // 2]
    company = torch.from_numpy(middle).expand(len(features), -1)
    return torch.cat((sample.context, company), 1)


def test_answers_are_those_without_the_branches():
    """Against the network itself, which encodes every way anew; in parts of a batch as well."""
    network, sample = small_network(), one_run(5)
    found = ablated(network, sample)
    assert found.logits.shape == (5, len(VARIANTS), len(KEYS))
    unknown = torch.full_like(sample.context, torch.nan)
    with torch.inference_mode():
        for name in BRANCHES:
            others = [other for other in BRANCHES if other != name]
            encoded = network.encode(sample.views, without=[name])
            less = network.judge(encoded, beside(sample, encoded))
            only = network.judge(network.encode(sample.views, without=others), unknown)
            for told, expected in ((f"without_{name}", less), (f"only_{name}", only)):
                assert found.logits[:, NUMBER[told]] == pytest.approx(expected.numpy(), abs=1e-5)
        encoded = network.encode(sample.views)
        everything = network.judge(encoded, beside(sample, encoded)).numpy()
        numbers = network.judge(encoded, sample.context).numpy()
        alone = network(sample.views, unknown).numpy()
    assert found.logits[:, NUMBER["without_company"]] == pytest.approx(numbers, abs=1e-5)
    assert found.logits[:, NUMBER[ALL]] == pytest.approx(everything, abs=1e-5)
    assert found.logits[:, NUMBER[WITHOUT_RUN]] == pytest.approx(alone, abs=1e-5)
    # Every way is another one, or nothing above could fail.
    assert len(np.unique(found.logits[0, :, TRAIL].round(6))) == len(VARIANTS)


def blind(answers, *names: str) -> Ablated:
    """Always right, but without a view that alone shows trails: chance there."""
    logits = np.repeat(answers.beside[:, None], len(VARIANTS), 1)
    noise = np.random.default_rng(5).normal(size=len(answers.run))
    for name in names:
        logits[:, NUMBER[name], TRAIL] = noise
    return Ablated(logits.astype(np.float32), answers.strength, answers.run)


def test_what_a_view_is_worth_is_what_is_lost_without_it():
    answers = answers_of()
    made = blind(answers, "without_sky", "only_stars")
    figures = ablation_figures(made, seed=1)
    assert (figures["frames"], figures["runs"]) == (400, 100)
    told = figures["variants"]
    assert list(told) == list(VARIANTS)
    assert told[ALL]["macro_average_precision"] == pytest.approx(1)
    assert told[ALL]["change"] == {"value": 0, "low": 0, "high": 0}
    truth = answers.targets[:, TRAIL] == 1
    noise = made.logits[:, NUMBER["without_sky"], TRAIL]
    expected = average_precision_score(truth, noise)
    for name in ("without_sky", "only_stars"):
        row = told[name]
        assert row["faults"]["trail"] == pytest.approx(expected)
        assert row["faults"]["clouds"] == pytest.approx(1)
        change = row["change"]
        assert change["value"] == pytest.approx((expected - 1) / len(KEYS))
        assert change["low"] < change["value"] < change["high"] < 0
    assert told["without_stars"]["faults"]["trail"] == pytest.approx(1)


def test_frames_too_slight_or_unknown_are_not_scored():
    answers = answers_of()
    made = blind(answers)
    strength = made.strength.copy()
    wrong = np.flatnonzero(answers.targets[:, TRAIL] == 0)[:6]
    made.logits[wrong, :, TRAIL] = FAULTY_LOGIT + 1
    assert ablation_figures(made, 1)["variants"][ALL]["faults"]["trail"] < 0.95
    row = FAULTS[TRAIL]
    strength[wrong[:3], TRAIL] = np.nan
    strength[wrong[3:], TRAIL] = (row.clean_below + row.counts_from) / 2
    without = Ablated(made.logits, strength, made.run)
    assert ablation_figures(without, 1)["variants"][ALL]["faults"]["trail"] == pytest.approx(1)


def test_card_shows_both_tables(tmp_path):
    write_model(tmp_path / "small", small_network(), fitted(), 0.9, MADE)
    model, answers = load_model(tmp_path / "small"), answers_of()
    figures = figures_of(model, answers, 1)
    assert "What each view" not in card_text(model.config, figures), "older files have none"
    figures["ablation"] = ablation_figures(blind(answers, "without_sky"), 1)
    text = card_text(model.config, figures)
    row = figures["ablation"]["variants"]["without_sky"]
    trail = next(
        line for line in text.splitlines() if line.startswith("| trail | 1.00 | 1.00 | 1.00 | ")
    )
    assert trail.split(" | ")[4] == f"{row['faults']['trail']:.2f}"
    assert "| fault | all | no run | no company | no sky | no stars | no stack |" in text.replace(
        "_", " "
    )
    assert "| fault | all | only sky | only stars |" in text
    change = row["change"]
    told = f"{change['value']:.2f} ({change['low']:.2f} to {change['high']:.2f})"
    assert told in next(line for line in text.splitlines() if line.startswith("| change"))
    assert "no branch was left out" in text
    config = model.config | {"network": model.config["network"] | {"branch_dropout": 0.1}}
    assert "left out of 10 % of the frames" in card_text(config, figures)
