"""Grafted frames to learn from: of training sources only, at the share asked for, labels true."""

import json
import pickle
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from graft_source import GAIN, OFFSET, READ_E, as_source, noisy, star_field

from classifier.errors import UsageError
from classifier.views import PHYSICAL
from classifier.vocabulary import FAULTS, INDEX, KEYS
from synth.graft import clean_strength, graft
from synth.strength import SHAPE_KEYS
from training.config import read_train_config
from training.good_frames import GoodFrame, pack, part_of
from training.graft_batches import (
    SHAPES,
    GraftedSample,
    GraftStream,
    graft_stream,
    make_runs,
    training_frames,
)
from training.grafts import GOOD_FRAMES, RUN_FRAMES, turned_windows
from training.ranks import Ranks
from training.train import train
from training.variety import Light, other_file, other_light

TINY = read_train_config(Path(__file__).parent.parent / "training" / "configs" / "tiny.toml")
CPU = torch.device("cpu")


def group_of(part: str, number: int) -> str:
    """The name of a group that belongs to the part."""
    return [name for name in map(str, range(60)) if part_of(name) == part][number]


def frame(number: int, part: str = "training", size: tuple[int, int] = (200, 264)) -> GoodFrame:
    pixels = as_source(noisy(star_field(number, size), number)).pixels
    facts = {"gain_e_adu": GAIN, "read_noise_e": READ_E, "offset_adu": OFFSET}
    physical = torch.tensor([facts.get(name, torch.nan) for name in PHYSICAL])
    name = Path(f"{number}.fits")
    return GoodFrame(name, group_of(part, number), pixels, physical, None, 3.0, frozenset())


@pytest.fixture(scope="module")
def frames() -> list[GoodFrame]:
    return [frame(0), frame(1), frame(2, size=(264, 280))]


@pytest.fixture(scope="module")
def packed(frames, tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("packed") / "sources.npz"
    pack(frames, path)
    return path


@pytest.fixture(scope="module")
def runs(frames):
    return make_runs(TINY, frames, 0, 0, 6)


def test_frames_kept_for_evaluation_are_refused(frames, tmp_path):
    mixed = [*frames, frame(1, "evaluation")]
    pack(mixed, tmp_path / "mixed.npz")
    with pytest.raises(UsageError, match="set aside for evaluation"):
        training_frames(tmp_path / "mixed.npz")
    with pytest.raises(UsageError, match="set aside for evaluation"):
        GraftStream(TINY.changed(graft_share=0.5), mixed)


def test_share_and_frames_are_given_together_or_not_at_all(packed, tmp_path):
    assert graft_stream(TINY, None) is None
    with pytest.raises(UsageError, match="give --real-frames"):
        graft_stream(TINY.changed(graft_share=0.1), None)
    with pytest.raises(UsageError, match="graft_share is 0"):
        graft_stream(TINY, packed)
    (tmp_path / "other.npz").write_bytes(b"no frames")
    with pytest.raises(UsageError, match="cannot be read"):
        graft_stream(TINY.changed(graft_share=0.1), tmp_path / "other.npz")
    with pytest.raises(UsageError, match="graft_share is 1"):
        TINY.changed(graft_share=1.0)


def test_runs_are_the_same_whenever_they_are_made(runs, frames):
    again = make_runs(TINY, frames, 0, 0, 6)
    assert np.array_equal(runs.pixels, again.pixels)
    np.testing.assert_array_equal(runs.strength, again.strength)
    other = make_runs(TINY, frames, 1, 0, 6)
    assert not np.array_equal(runs.strength, other.strength)


def test_runs_have_one_shape_and_as_many_clean_frames_as_others(runs):
    count, *shape = runs.pixels.shape
    assert (count, tuple(shape) in SHAPES) == (6 * RUN_FRAMES, True)
    assert runs.pixels.dtype == np.uint16
    assert runs.physical.shape == (count, len(PHYSICAL))
    targets = [
        [f.target(float(s)) for f, s in zip(FAULTS, row, strict=True) if not np.isnan(s)]
        for row in runs.strength
    ]
    faulty = np.array([max(row) > 0 for row in targets]).reshape(-1, RUN_FRAMES)
    # A weak fault may stay under its clean level, or be unknown.
    assert (faulty.sum(1) <= RUN_FRAMES - GOOD_FRAMES).all()
    assert faulty.sum() > 0.6 * len(faulty) * (RUN_FRAMES - GOOD_FRAMES)
    assert len(set(map(tuple, faulty))) > 1, "the good ones lie anywhere in a run"


def test_windows_lie_anywhere_and_those_of_a_run_close_together():
    """Pixels that tell their own place."""
    height, width = 264, 280
    numbered = np.arange(height * width, dtype=np.float32).reshape(height, width)
    whole = replace(frame(0), pixels=numbered)
    rng, firsts = np.random.default_rng(1), []
    for _ in range(20):
        run = turned_windows(whole, rng, 4, (192, 192))
        assert all(window.pixels.shape == (192, 192) for window in run)
        corners = np.array([np.divmod(window.pixels.min(), width) for window in run])
        assert (np.ptp(corners, 0) <= 12).all()
        assert (corners % 2 == 0).all(), "whole steps of a mosaic"
        firsts.append(corners[0])
    # 72 and 88 px of room; 20 draws leave less than half of it out in all but 1e-5 of cases.
    assert (np.ptp(firsts, 0) > 36).all()
    lying = turned_windows(whole, rng, 1, (192, 272))[0].pixels
    assert lying.shape == (192, 272)
    upright = turned_windows(whole, rng, 1, (272, 192))[0].pixels
    assert upright.shape == (272, 192)


def test_few_stars_show_no_shape():
    bare = as_source(noisy(np.full((200, 264), 200.0))).pixels
    starless = replace(frame(0), pixels=bare)
    made = make_runs(TINY, [starless], 0, 0, 2)
    assert np.isnan(made.strength[:, [INDEX[key] for key in SHAPE_KEYS]]).all()


def test_added_sky_has_its_photons_noise():
    """Poisson: variance = mean, in electrons; and added read noise adds in quadrature."""
    source = as_source(noisy(np.full((400, 400), 200.0)))
    lit = other_light(source, Light(sky=2.0, noise=0.5), np.random.default_rng(1))
    more_e = source.sky_e * 2
    added_e = 0.5 * source.noise_adu * GAIN
    assert (lit.pixels.mean() - source.pixels.mean()) * GAIN == pytest.approx(more_e, rel=0.01)
    # 160 000 px: the variance scatters by 0.35 %; rounding to whole ADU adds 1/12 ADU^2.
    wanted = 200 + READ_E**2 + more_e + added_e**2 + 2 * GAIN**2 / 12
    assert lit.pixels.var() * GAIN**2 == pytest.approx(wanted, rel=0.015)
    assert lit.read_noise_e == pytest.approx(np.hypot(READ_E, added_e))
    # The sky over the read noise is the new one.
    said = clean_strength(lit)[INDEX["low_signal"]]
    assert said == pytest.approx((200 + more_e) / (READ_E**2 + added_e**2), rel=0.03)


def test_another_file_holds_the_same_electrons():
    """Electrons = gain x (ADU - offset), whatever the file's numbers."""
    source = as_source(noisy(star_field(1)))
    pixels = source.pixels[None]
    known = {"gain_e_adu": GAIN, "offset_adu": OFFSET, "saturation_adu": 65535.0}
    physical = np.array([known.get(name, np.nan) for name in PHYSICAL], np.float32)
    changed, depths = 0, set()
    for seed in range(40):
        written, facts = other_file(pixels, source, physical, np.random.default_rng(seed))
        if written is pixels:
            continue
        changed += 1
        told = dict(zip(PHYSICAL, facts, strict=True))
        electrons = (written - told["offset_adu"]) * told["gain_e_adu"]
        before = source.electrons()
        free = (written[0] > 0) & (written[0] < told["saturation_adu"])
        # Rounding: half a step of the file at most.
        error = np.abs(electrons[0] - before)[free].max()
        assert error <= 0.501 * told["gain_e_adu"] + 1e-3 * abs(before[free]).max()
        # Nothing of the sky is lost at either end.
        assert free.mean() > 0.99
        # Steps of 2 sigma add 1/3 of the variance: 2^2 / 12.
        sky = np.abs(before - 200) < 60
        assert electrons[0][sky].std() == pytest.approx(before[sky].std(), rel=0.16)
        depths.add(int(np.ceil(np.log2(written.max() + 1))))
    assert 12 <= changed <= 36
    # Read noise of 4 e leaves fewer bits no room for this sky.
    assert min(depths) <= 10
    assert max(depths) > 12


def test_strengths_are_reckoned_with_the_new_sky():
    """Signal over noise: a trail as plain as before is brighter by as much as the noise is."""
    source = as_source(noisy(star_field(1)))
    lit = other_light(source, Light(sky=3.0), np.random.default_rng(1))
    trails = []
    for window in (source, lit):
        done = graft(window, "trail", 40.0, np.random.default_rng(3))
        assert done.strength[INDEX["trail"]] == pytest.approx(40.0, rel=0.1)
        trails.append(float((done.pixels.astype(float) - window.pixels).sum()))
    # Sky 200 e and 800 e with 4 e of read noise; faint stars in the noise are worth a few percent.
    noisier = ((800 + READ_E**2) / (200 + READ_E**2)) ** 0.5
    assert trails[1] / trails[0] == pytest.approx(noisier, rel=0.1)


@pytest.mark.parametrize("share", [0.25, 0.5])
def test_the_share_holds_in_frames(frames, share):
    config = TINY.changed(graft_share=share)
    stream = GraftStream(config, frames)
    given = [sum(map(len, stream.due(8, CPU))) for _ in range(6)]
    wanted = 48 * share / (1 - share)
    # Batches are of 8 frames and come whole.
    assert wanted <= sum(given) <= wanted + 8
    assert max(given) <= 16, "evenly among the rendered ones"


def test_ranks_make_different_batches(frames):
    config = TINY.changed(graft_share=0.5)
    first, second = (
        next(GraftStream(config, frames, Ranks(rank, 2)).due(8, CPU)) for rank in (0, 1)
    )
    assert isinstance(first, GraftedSample)
    assert not set(first.run.tolist()) & set(second.run.tolist())
    assert max(first.run.tolist()) < 0, "rendered runs are numbered from 0"
    assert first.views.sky.shape != second.views.sky.shape or not torch.equal(
        first.views.sky, second.views.sky
    )


def test_starting_a_worker_hands_over_little(frames):
    """More than a pipe holds would keep the learner waiting until every worker has begun."""
    stream = GraftStream(replace(TINY.changed(graft_share=0.5), workers=1), frames)
    try:
        assert len(pickle.dumps(stream._pool._initargs)) < 4096
    finally:
        stream.close()


@pytest.mark.slow
def test_workers_make_what_the_training_process_would(frames):
    """Made ahead by processes, never waited for."""
    config = TINY.changed(graft_share=0.5)
    alone = next(GraftStream(config, frames).due(8, CPU))
    stream = GraftStream(replace(config, workers=1), frames)
    try:
        assert not stream._ahead, "at the start the cores have scenes to draw"
        assert list(stream.due(8, CPU)) == [], "not ready yet, so rendering goes on"
        [part.result(timeout=120) for part in stream._ahead[0][1]]
        made = next(stream.due(0, CPU))
    finally:
        stream.close()
    assert torch.equal(made.views.sky, alone.views.sky)
    torch.testing.assert_close(made.strength, alone.strength, equal_nan=True)


def test_a_training_with_grafts_ends_in_a_model_that_tells_of_them(packed, tmp_path):
    config = TINY.changed(graft_share=0.5, steps=4, evaluation_frames=8)
    folder = train(config, tmp_path, say=lambda line: None, real_frames=packed)
    made = json.loads((folder / "config.json").read_text(encoding="utf-8"))["training"]
    assert made["grafted_frames"] >= made["rendered_frames"] >= 8
    assert (made["graft_sources"], made["graft_groups"]) == (3, 3)
    assert made["settings"]["graft_share"] == 0.5
    assert str(packed.parent) not in json.dumps(made)
    card = (folder / "card.md").read_text(encoding="utf-8")
    assert f"{made['grafted_frames']} with faults\ngrafted onto 3 real frames" in card
    assert len(json.loads((folder / "evaluation.json").read_text())["faults"]) == len(KEYS)
