"""A frame beside the middle of its run: by NumPy's median, and what the network makes of it."""

import numpy as np
import pytest
import torch
from small_model import SMALL, random_views, small_network

from classifier.context import CONTEXT, beside_run, run_company, run_context
from classifier.network import Network, NetworkConfig
from classifier.sheet import SHAPE_FACTS
from training.checkpoint import load_checkpoint
from training.company import accompanied, as_learnt, fresh_features
from training.data import Sample
from training.run_blocks import each_run


def sample_of_runs(*lengths: int) -> Sample:
    frames = sum(lengths)
    run = torch.repeat_interleave(torch.arange(len(lengths)), torch.tensor(lengths))
    generator = torch.Generator().manual_seed(3)
    context = torch.randn(frames, len(CONTEXT), generator=generator)
    return Sample(random_views(frames), context, torch.zeros(frames, 16), run)


def test_company_is_the_median_of_the_run():
    """Against NumPy; of an even number it is the lower of the two middle ones."""
    features = torch.randn(7, 5, generator=torch.Generator().manual_seed(1))
    for count in (3, 7, 4):
        part = features[:count]
        found = run_company(part).numpy()
        assert (found == np.sort(part.numpy(), 0)[(count - 1) // 2]).all()
    assert run_company(features[:2]).isnan().all()
    shapes = torch.randn(7, len(SHAPE_FACTS))
    both = beside_run(shapes, features, range(7))
    torch.testing.assert_close(both[:, : len(CONTEXT)], run_context(shapes))
    torch.testing.assert_close(both[:, len(CONTEXT) :], run_company(features))


def test_the_network_hears_its_company():
    network = small_network()
    sample = sample_of_runs(6)
    features = network.encode(sample.views)
    beside = torch.cat((sample.context, run_company(features)), 1)
    with torch.inference_mode():
        heard = network.judge(features, beside)
        numbers = network.judge(features, sample.context)
        unknown = network.judge(features, torch.cat((sample.context, features * torch.nan), 1))
        # Told the same numbers by another company it says something else.
        other = torch.cat((sample.context, run_company(features) + 1), 1)
        assert (network.judge(features, other) - heard).abs().max() > 1e-3
    torch.testing.assert_close(unknown, numbers)
    assert (heard - numbers).abs().max() > 1e-3


def test_a_network_that_knows_no_company_is_not_disturbed_by_it():
    torch.manual_seed(1)
    network = Network(NetworkConfig(width=8, features=32, star_features=16)).eval()
    sample = sample_of_runs(4)
    features = network.encode(sample.views)
    beside = torch.cat((sample.context, run_company(features)), 1)
    torch.testing.assert_close(
        network.judge(features, beside), network.judge(features, sample.context)
    )


def test_training_goes_on_from_weights_without_company(tmp_path):
    from safetensors.torch import save_file

    torch.manual_seed(1)
    before = Network(NetworkConfig(width=8, features=32, star_features=16)).eval()
    path = tmp_path / "before.safetensors"
    state = {f"network.{name}": value.contiguous() for name, value in before.state_dict().items()}
    save_file(state, path)
    after = Network(SMALL).eval()
    load_checkpoint(after, path)
    sample = sample_of_runs(4)
    features = before.encode(sample.views)
    beside = torch.cat((sample.context, run_company(features)), 1)
    torch.testing.assert_close(after.judge(features, beside), before.judge(features, beside))


def test_runs_of_any_length_are_worked_on_one_by_one():
    values = torch.arange(22, dtype=torch.float32).view(11, 2)
    run = torch.tensor([4, 4, 9, 9, 9, 5, 5, 5, 7, 7, 7])
    sums = each_run(run, lambda part: part.sum(1, keepdim=True).expand(part.shape), values)
    for number in (4, 9, 5, 7):
        rows = run == number
        assert (sums[rows] == values[rows].sum(0)).all()


def test_fresh_frames_get_the_middle_of_all_or_of_some_of_their_run():
    sample = sample_of_runs(8, 8, 8, 8, 2)
    network = small_network()
    features = fresh_features(network, sample, bf16=False, batch=10)
    torch.testing.assert_close(features, network.encode(sample.views), atol=1e-5, rtol=1e-5)
    rng = np.random.default_rng(1)
    whole = 0
    for _ in range(40):
        told = accompanied(sample, features, rng).context[:, len(CONTEXT) :]
        assert told[32:].isnan().all() and not told[:32].isnan().any()
        for run in range(4):
            part = features[8 * run : 8 * run + 8].detach().numpy()
            of_run = told[8 * run : 8 * run + 8].detach().numpy()
            assert (of_run == of_run[0]).all()
            ordered = np.sort(part, 0)
            assert (of_run[0] >= ordered[0]).all() and (of_run[0] <= ordered[-1]).all()
            whole += bool(np.allclose(of_run[0], ordered[3]))
    # 0.7 of the runs, and a sixth of the others by chance: 0.75, standard error 0.034.
    assert whole / 160 == pytest.approx(0.75, abs=0.12)


def test_of_lone_frames_the_network_is_not_asked(monkeypatch):
    """Their company is unknown, and working out what nobody hears took a tenth of the time."""
    network, rng = small_network(), np.random.default_rng(2)
    asked = []

    def counted(network, sample, bf16):
        asked.append(len(sample))
        return fresh_features(network, sample, bf16)

    monkeypatch.setattr("training.company.fresh_features", counted)
    lone = as_learnt(sample_of_runs(*[1] * 5), network, False, rng)
    assert not asked and lone.context[:, len(CONTEXT) :].isnan().all()
    assert lone.context.shape == (5, len(CONTEXT) + SMALL.features)
    as_learnt(sample_of_runs(1, 4), network, False, rng)
    assert asked == [5]
