"""Model folders: what is written is what is loaded, and what does not fit is refused."""

import json
from dataclasses import replace

import pytest
import torch
from scipy.special import expit, logit
from small_model import SMALL, random_views, small_network, write_small_model

from classifier import weights
from classifier.context import CONTEXT, FIRST
from classifier.errors import ModelError
from classifier.network import Network, folded
from classifier.vocabulary import INDEX, KEYS


@pytest.fixture
def folder(tmp_path):
    return write_small_model(tmp_path / "small")


@pytest.fixture
def model(folder):
    return weights.load_model(folder)


def change(folder, **changes) -> None:
    path = folder / "config.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | changes), encoding="utf-8")


def test_a_loaded_network_answers_as_the_written_one(model):
    views, network = random_views(2), small_network()
    with torch.inference_mode():
        assert torch.equal(model.network.encode(views), network.encode(views))
    assert not model.network.training
    assert not any(parameter.requires_grad for parameter in model.network.parameters())


def test_the_encoder_gives_the_features_of_the_network():
    """Norms that are not yet 1 and 0, as training leaves them; float32 rounds to some 1e-6 of the
    largest feature."""
    network = small_network().eval()
    generator = torch.Generator().manual_seed(4)
    for module in network.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            for numbers in (module.weight.data, module.running_var):
                numbers.copy_(0.5 + torch.rand(numbers.shape, generator=generator))
            for numbers in (module.bias.data, module.running_mean):
                numbers.copy_(torch.randn(numbers.shape, generator=generator))
    views, encoder = random_views(2), folded(network)
    with torch.inference_mode():
        expected, found = network.encode(views), encoder.encode(views)
    assert not any(isinstance(module, torch.nn.BatchNorm2d) for module in encoder.modules())
    assert float((found - expected).abs().max()) < 2e-5 * float(expected.abs().max())
    assert float(expected.std()) > 0


def test_confidences_are_platt_then_the_prior(model):
    # a = 0.5, b = -1 at a prevalence of 0.2, shown for a prior of 0.05.
    found = torch.linspace(-6, 6, 16)[None]
    odds = torch.exp(0.5 * found - 1) * (0.05 / 0.95) / (0.2 / 0.8)
    assert model.confidences(found) == pytest.approx(odds / (1 + odds), rel=1e-5)


def test_another_prior_moves_confidences_and_thresholds_alike(model):
    found = torch.randn(200, 16, generator=torch.Generator().manual_seed(1)) * 6
    moved = model.with_prior({"trail": 0.5})
    column = INDEX["trail"]
    before, after = model.confidences(found)[:, column], moved.confidences(found)[:, column]
    # Odds times (0.5 / 0.5) / (0.05 / 0.95) = 19.
    odds_ratio = (after / (1 - after)) / (before / (1 - before))
    assert odds_ratio == pytest.approx(torch.full((200,), 19.0), rel=1e-3)
    assert torch.equal(before >= model.thresholds["trail"], after >= moved.thresholds["trail"])
    assert moved.thresholds["trail"] == pytest.approx(expit(logit(0.6) + logit(0.5) - logit(0.05)))
    assert moved.thresholds["drift"] == pytest.approx(0.6)
    assert torch.equal(
        moved.confidences(found)[:, INDEX["drift"]], model.confidences(found)[:, INDEX["drift"]]
    )
    assert model.config["prior"]["trail"] == 0.05


def test_unfamiliar_grows_with_the_distance(model):
    # Identity whitening: the distance is the root mean square of the features; median 1, q99 1.5,
    # and a half is reached one and a half times as far beyond the median.
    directions = torch.ones(1, 32)
    sizes = torch.tensor([0.0, 1.0, 1.75, 2.5, 50.0])
    _always_say(model, -20.0)
    found = model.unfamiliar(sizes[:, None] * directions)
    assert found == pytest.approx(torch.tensor([0.0, 0.0, 0.5, 0.75, 1.0]), abs=1e-6)


@pytest.mark.parametrize(("above_cut", "answer"), [(0.0, 0.9), (3.0, 0.9945), (-3.0, 0.3094)])
def test_what_the_network_calls_strange_is_unfamiliar_however_near(model, above_cut, answer):
    # The threshold of the small model is 0.9: odds of 9, times e^3 or e^-3.
    _always_say(model, model.config["unfamiliar"]["cut"] + above_cut)
    found = model.unfamiliar(torch.zeros(2, 32))
    assert found == pytest.approx(torch.full((2,), answer), abs=2e-4)


def _always_say(model, logit_of_strangeness):
    last = model.network.strange[-1]
    last.weight.data.zero_()
    last.bias.data.fill_(logit_of_strangeness)


def test_damaged_weights_are_refused(folder):
    path = folder / "weights.safetensors"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(ModelError, match="sha256"):
        weights.load_model(folder)
    path.unlink()
    with pytest.raises(ModelError, match="cannot be read"):
        weights.load_model(folder)


def test_another_vocabulary_is_refused(folder):
    change(folder, labels=[*KEYS[1:], KEYS[0]])
    with pytest.raises(ModelError, match="vocabulary"):
        weights.load_model(folder)
    change(folder, labels=list(KEYS), vocabulary_version=99)
    with pytest.raises(ModelError, match="vocabulary 99"):
        weights.load_model(folder)


def test_other_inputs_are_refused(folder):
    change(folder, input=weights.inputs_of(SMALL.scales) | {"facts": 3})
    with pytest.raises(ModelError, match="expects other facts"):
        weights.load_model(folder)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"schema": "something else"}'])
def test_a_broken_config_is_refused(folder, text):
    (folder / "config.json").write_text(text, encoding="utf-8")
    with pytest.raises(ModelError):
        weights.load_model(folder)


@pytest.mark.parametrize("part", ["thresholds", "unfamiliar", "network"])
def test_a_config_that_lacks_a_part_is_refused(folder, part):
    config = json.loads((folder / "config.json").read_text())
    del config[part]
    (folder / "config.json").write_text(json.dumps(config), encoding="utf-8")
    with pytest.raises(ModelError, match=part):
        weights.load_model(folder)


def test_weights_of_another_network_are_refused(folder):
    change(folder, network=SMALL.as_dict() | {"width": 12})
    with pytest.raises(ModelError, match="does not fit"):
        weights.load_model(folder)


def test_models_are_found_by_name_path_and_default(tmp_path, monkeypatch):
    monkeypatch.setattr(weights, "models_dir", lambda: tmp_path)
    with pytest.raises(ModelError, match="No default model"):
        weights.load_model()
    with pytest.raises(ModelError, match="at hand: none"):
        weights.load_model("small")
    write_small_model(tmp_path / "small")
    (tmp_path / "default.txt").write_text("small\n", encoding="utf-8")
    assert weights.list_models() == ["small"]
    assert weights.load_model().name == "small"
    assert weights.load_model("small").folder == weights.load_model(tmp_path / "small").folder
    with pytest.raises(ModelError, match="'big'; at hand: small"):
        weights.load_model("big")
    (tmp_path / "empty").mkdir()
    with pytest.raises(ModelError, match=r"no config\.json"):
        weights.load_model(tmp_path / "empty")


def test_a_model_is_never_overwritten(folder):
    from classifier.errors import UsageError

    before = (folder / "weights.safetensors").read_bytes()
    with pytest.raises(UsageError, match="already holds a model"):
        write_small_model(folder, small_network(2))
    assert (folder / "weights.safetensors").read_bytes() == before


def test_shipping_copies_and_names_the_default(folder, tmp_path, monkeypatch):
    from classifier.errors import UsageError
    from training.export import ship

    shelf = tmp_path / "shelf"
    monkeypatch.setattr(weights, "models_dir", lambda: shelf)
    ship(folder, shelf)
    assert weights.load_model().sha256 == weights.load_model(folder).sha256
    with pytest.raises(UsageError, match="already exists"):
        ship(folder, shelf)


def test_a_network_that_hears_the_first_numbers_only_does_not_hear_the_others():
    network = Network(replace(SMALL, scales=False)).eval()
    context, features = torch.randn(2, len(CONTEXT)), torch.zeros(2, 32)
    with torch.inference_mode():
        said = network.judge(features, context)
        context[:, len(FIRST) :] = torch.nan
        torch.testing.assert_close(network.judge(features, context), said)


def test_a_model_that_looks_along_lines_otherwise_and_judges_once_is_still_read():
    """The one shipped before, kept beside the default to compare with."""
    former = [name for name in weights.list_models() if name != weights.default_model()]
    assert len(former) == 1
    model, shipped = weights.load_model(former[0]), weights.load_model()
    assert model.network.config.lines != shipped.network.config.lines
    assert (model.network.config.members, shipped.network.config.members) == (1, 4)
    with torch.inference_mode():
        views = random_views(2, lines=model.network.config.lines)
        assert model.network.encode(views).isfinite().all()
