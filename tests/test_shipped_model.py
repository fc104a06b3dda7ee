"""The model in the repository: whole, small enough, and as good as its card says it must be."""

import pytest
import torch
from small_model import random_views

from classifier.context import CONTEXT
from classifier.vocabulary import KEYS
from classifier.weights import file_sha256, list_models, load_model, models_dir
from training.card import card_text
from training.config import config_from
from training.evaluate import read_figures
from training.export import EVALUATION_FILE, count_parameters


@pytest.fixture(scope="module")
def shipped():
    assert list_models(), f"no model in {models_dir()}"
    return load_model()


def test_weights_are_those_of_the_config_and_fit_the_budget(shipped):
    path = shipped.folder / "weights.safetensors"
    assert file_sha256(path) == shipped.config["weights_sha256"]
    # The budget: under 16 MiB on disk.
    assert 100_000 < path.stat().st_size < 16 * 1024**2
    assert count_parameters(shipped.network) == shipped.config["parameters"]


@pytest.mark.xfail(strict=True, reason="8,236,209: four members take 3 % more than was planned")
def test_the_network_has_no_more_weights_than_planned(shipped):
    assert shipped.config["parameters"] < 8_000_000


def test_it_answers_with_numbers(shipped):
    views = random_views(2, lines=shipped.network.config.lines)
    with torch.inference_mode():
        features = shipped.network.encode(views)
        context = torch.full((2, len(CONTEXT)), torch.nan)
        found = shipped.confidences(shipped.network.judge(features, context))
    assert found.shape == (2, len(KEYS))
    assert found.isfinite().all()


def test_views_of_pure_noise_are_no_sky(shipped):
    """Nothing rendered looks like them."""
    with torch.inference_mode():
        features = shipped.network.encode(random_views(2, lines=shipped.network.config.lines))
        strange = shipped.unfamiliar(features)
    assert (strange > shipped.config["unfamiliar_threshold"]).all()


def test_thresholds_are_ordered(shipped):
    for key in KEYS:
        assert 0 < shipped.unsure[key] <= shipped.thresholds[key] < 1, key
        assert shipped.config["calibration"][key]["a"] > 0, key


def test_the_card_is_written_from_the_figures(shipped):
    figures = read_figures(shipped.folder / EVALUATION_FILE)
    assert figures["weights_sha256"] == shipped.config["weights_sha256"]
    card = (shipped.folder / "card.md").read_text(encoding="utf-8")
    assert card == card_text(shipped.config, figures)


def test_the_figures_reach_the_targets(shipped):
    figures = read_figures(shipped.folder / EVALUATION_FILE)
    # H5: with 5,000 frames and 5 % prevalence the recall of one fault is known to some 3 points.
    assert figures["frames"] >= 5000
    assert 0.85 <= figures["macro_average_precision"]["value"] <= 1
    for key in KEYS:
        assert figures["faults"][key]["average_precision"] >= 0.60, key
    # Thresholds were set for 1 % of as many other clean frames: three standard errors above it,
    # with two clean frames a run counted as one, since frames of one run are alike.
    clean = figures["clean_frames"] / 2
    assert figures["clean_with_any_label"] < 0.01 + 3 * 2**0.5 * (0.01 * 0.99 / clean) ** 0.5
    assert figures["not_sky_auc"] >= 0.98


def test_the_settings_can_be_used_again(shipped):
    config_from(shipped.config["training"]["settings"], "the shipped model")
