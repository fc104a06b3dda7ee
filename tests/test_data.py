"""Rendered training data: repeatable, disjoint between sets, whole in its runs, kept as told."""

import itertools

import numpy as np
import pytest
import torch

from classifier.context import CONTEXT
from classifier.errors import UsageError
from classifier.lines import STAGES
from classifier.sheet import SHAPE_FACTS
from classifier.surface import SURFACE_FACTS
from classifier.views import PHYSICAL, PHYSICAL_FACTS, Views
from synth.generate import MOST_RUNS, RUN_FRAMES, draw_scenes
from synth.scene import draw_run
from training import data
from training.config import TrainConfig

CPU = torch.device("cpu")
CONFIG = TrainConfig(
    steps=1, seed=3, shapes=((160, 192),), shape_weights=(1.0,), render_batch=8, device="cpu"
)


@pytest.fixture(scope="module")
def sample() -> data.Sample:
    return data.render_sample(CONFIG, data.TRAINING, 0, CPU)


def test_the_same_batch_twice_is_the_same(sample):
    again = data.render_sample(CONFIG, data.TRAINING, 0, CPU)
    assert torch.equal(again.views.sky, sample.views.sky)
    assert torch.equal(again.views.facts, sample.views.facts)
    torch.testing.assert_close(again.strength, sample.strength, equal_nan=True)


def test_sets_and_batches_are_disjoint(sample):
    others = [
        data.render_sample(CONFIG, name, index, CPU)
        for name, index in ((data.CALIBRATION, 0), (data.TRAINING, 1))
    ]
    for other in others:
        for mine in sample.views.sky:
            assert not any(torch.equal(mine, theirs) for theirs in other.views.sky)
    # Not the same scenes under another noise either.
    fields = [
        data.plan_batch(CONFIG, name, 0).scenes[0].field_seed
        for name in (data.TRAINING, data.VALIDATION, data.CALIBRATION, data.EVALUATION)
    ]
    assert len(set(fields)) == 4
    assert not set(others[1].run.tolist()) & set(sample.run.tolist())


def test_frames_come_in_runs_with_a_context(sample):
    assert sample.run.bincount().tolist() == [RUN_FRAMES] * (8 // RUN_FRAMES)
    assert sample.context.shape == (8, len(CONTEXT))
    assert not sample.context.isnan().any()
    # The best of a run stands near the run's own best decile, the others above it.
    widths = sample.context[:, CONTEXT.index("log_fwhm_over_best")].reshape(-1, RUN_FRAMES)
    assert (widths.amin(1) <= 0).all()
    assert (widths.amax(1) >= 0).all()


def test_pictures_are_kept_in_half_the_bytes(sample):
    assert sample.views.sky.dtype == sample.views.sheet.dtype == torch.float16
    assert sample.views.facts.dtype == torch.float32
    for name in Views.__dataclass_fields__:
        assert getattr(sample.views, name).isfinite().all(), name


@pytest.mark.parametrize("share", [0.0, 0.4])
def test_files_forget_facts_by_whole_runs(share):
    physical = torch.ones(4000, len(PHYSICAL))
    run = torch.arange(4000) // 4
    forgotten = data._forget(physical, run, share, np.random.default_rng(1)).isnan()
    assert physical.isnan().sum() == 0, "the facts given must stay as they are"
    by_run = forgotten.reshape(1000, 4, -1)
    assert torch.equal(by_run.any(1), by_run.all(1))
    found = dict(zip(PHYSICAL, forgotten.float().mean(0).tolist(), strict=True))
    assert found["is_cfa"] == 0
    # Shares of 1,000 runs: 3 sigma is at most 0.047.
    for names, ease in data.FACT_GROUPS:
        for name in names:
            assert found[name] == pytest.approx(share * ease, abs=0.048)


def test_a_forgotten_fact_is_unknown_to_the_views(sample):
    lost = data.render_sample(CONFIG.changed(physical_dropout=0.9), data.TRAINING, 0, CPU)
    first = len(SHAPE_FACTS) + len(SURFACE_FACTS) + STAGES + len(PHYSICAL_FACTS)
    flags = slice(first, first + len(PHYSICAL_FACTS))
    assert lost.views.facts[:, flags].sum() < sample.views.facts[:, flags].sum()


def test_held_out_sets_have_the_frames_asked_for(sample):
    parts = list(data.held_out(CONFIG, data.TRAINING, 5, CPU))
    assert [len(part) for part in parts] == [5]
    assert torch.equal(parts[0].views.sky, sample.views.sky[:5])


def test_runs_that_are_no_sky_come_among_others(monkeypatch):
    config = CONFIG.changed(render_batch=2 * RUN_FRAMES)
    sample = data.render_sample(config, data.CALIBRATION, 19, CPU)  # its runs are 19 and 20
    first, second = slice(0, RUN_FRAMES), slice(RUN_FRAMES, None)
    assert sample.is_sky[first].all() and not sample.is_sky[second].any()
    assert data.render_sample(config, data.CLEAN, 19, CPU).is_sky.all()
    monkeypatch.setattr(data, "NOT_SKY_EVERY", 1000)
    whole = data.render_sample(config, data.CALIBRATION, 19, CPU)
    assert whole.is_sky.all()
    same = (whole.views.sky == sample.views.sky).flatten(1).all(1)
    assert same[first].all() and not same[second].any()


def test_large_frames_are_rendered_fewer_at_a_time():
    config = CONFIG.changed(render_batch=128, largest_batch_mpx=250.0)
    # 250 Mpx hold 158 frames of 1024 x 1536, and 39 of 2048 x 3072, of which whole runs count.
    assert data.frames_at_a_time(config, 1024, 1536) == 128
    assert data.frames_at_a_time(config, 2048, 3072) == 39 // RUN_FRAMES * RUN_FRAMES
    assert data.frames_at_a_time(config, 20_000, 20_000) == RUN_FRAMES
    plan = data.plan_batch(CONFIG.changed(largest_batch_mpx=0.13), data.TRAINING, 0)
    assert len(plan.scenes) == RUN_FRAMES


def test_a_set_is_as_many_batches_as_its_frames_need():
    config = CONFIG.changed(
        render_batch=64,
        largest_batch_mpx=1.0,
        shapes=[[128, 128], [256, 256]],
        shape_weights=[1, 1],
    )
    batches = data.batches_for(config, data.EVALUATION, 300)
    sizes = [
        data.frames_at_a_time(config, *data.shape_of(config, data.EVALUATION, i))
        for i in range(batches)
    ]
    assert set(sizes) == {56, 8}
    assert sum(sizes[:-1]) < 300 <= sum(sizes)


def test_the_buffer_keeps_the_latest_and_turns_them(sample):
    buffer = data.Buffer(12)
    with pytest.raises(ValueError, match="empty"):
        buffer.draw(1, np.random.default_rng(1), CONFIG)
    for number in range(3):
        part = data.Sample(sample.views, sample.context, sample.strength, sample.run + 10 * number)
        buffer.add(part)
    assert buffer.filled == 12
    drawn = buffer.draw(480, np.random.default_rng(1), CONFIG)
    # 24 frames went in, 12 stay: the last batch whole and half of the one before it.
    runs, counts = np.unique(drawn.run.numpy(), return_counts=True)
    assert runs.tolist() == [10, 20]
    # 4 of 12 and 8 of 12, each of them as often as any other: 480 are 40 whole packs.
    assert counts.tolist() == [160, 320]
    alone = drawn.context.isnan().all(1).float().mean()
    assert alone == pytest.approx(CONFIG.context_dropout, abs=0.062)
    # Labels stay with their frames: frames of one run and strength row are those put in.
    rows = {tuple(np.nan_to_num(row, nan=-1.0)) for row in sample.strength.numpy()}
    assert {tuple(np.nan_to_num(row, nan=-1.0)) for row in drawn.strength.numpy()} <= rows


@pytest.mark.parametrize("where", ["sky", "tiles", "facts", "context", "strength"])
def test_what_is_no_number_is_known_and_what_is_unknown_is_none_of_it(sample, where):
    whole = sample.rows(torch.arange(8))
    whole.context[5], whole.strength[6] = torch.nan, torch.nan
    assert whole.is_sound.all()
    spoilt = getattr(whole if where in ("context", "strength") else whole.views, where)
    spoilt[3].view(-1)[7] = torch.inf
    assert whole.is_sound.tolist() == [row != 3 for row in range(8)]
    assert sample.is_sound.all()
    assert whole.rows(whole.is_sound).run.tolist() == [*sample.run[:3], *sample.run[4:]]


def test_star_cutouts_are_the_best_and_others_at_random():
    rng = np.random.default_rng(2)
    drawn = [data._some_stars(40, rng) for _ in range(30)]
    for chosen in drawn:
        assert chosen.tolist() == sorted(set(chosen.tolist())) and len(chosen) == 40
        assert chosen[:16].tolist() == list(range(16)) and chosen[-1] < 64
    assert set(np.concatenate(drawn).tolist()) == set(range(64))
    assert len({tuple(chosen) for chosen in drawn}) == 30


def test_processes_that_train_together_render_one_shape_at_a_time():
    """Of the training stream; held-out sets have as many shapes as batches."""
    shapes = [(128 + 2 * i, 160) for i in range(8)]
    config = TrainConfig(steps=1, shapes=shapes, shape_weights=[1.0] * 8)
    shapes = [data.shape_of(config, data.TRAINING, i) for i in range(64)]
    groups = [set(shapes[i : i + data.ALIKE]) for i in range(0, 64, data.ALIKE)]
    assert all(len(group) == 1 for group in groups)
    assert len(set(shapes)) > 4
    others = [data.shape_of(config, data.EVALUATION, i) for i in range(64)]
    assert sum(a != b for a, b in itertools.pairwise(others)) > 40


def test_frames_on_their_own_have_a_field_each_and_no_run():
    """In the training stream alone, for as large a share of its batches as is asked for."""
    config = CONFIG.changed(lone_share=0.999)
    plan = data.plan_batch(config, data.TRAINING, 0)
    assert len({scene.field_seed for scene in plan.scenes}) == 8
    lone = data.render_sample(config, data.TRAINING, 0, CPU, plan)
    assert sorted(lone.run.tolist()) == list(range(8))
    assert lone.context.isnan().all() and lone.views.facts.isfinite().all()
    kept = data.plan_batch(config, data.VALIDATION, 0)
    assert len({scene.field_seed for scene in kept.scenes}) == 1
    some = CONFIG.changed(lone_share=0.3)
    drawn = [data.is_lone(some, data.TRAINING, i) for i in range(1200)]
    # Three standard errors of 300 draws; processes that train together draw alike.
    assert np.mean(drawn) == pytest.approx(0.3, abs=0.08)
    assert drawn[::4] == drawn[1::4] == drawn[3::4]


def test_no_field_of_one_batch_of_lone_frames_comes_in_the_next():
    """Fields are numbered, so many to a batch; more would be those of the next batch again."""
    config = CONFIG.changed(lone_share=0.999, render_batch=MOST_RUNS)
    assert config.render_batch == MOST_RUNS
    with pytest.raises(UsageError, match=r"render_batch is 1001 .* lone_share .* most 1000"):
        config.changed(render_batch=MOST_RUNS + 1)
    last = draw_run(3, MOST_RUNS - 1, 1, 160, 128, False)[0].field_seed
    first = draw_scenes(3, 1, 1, 160, 128, cfa=False, run_frames=1)[0].field_seed
    assert draw_run(3, MOST_RUNS, 1, 160, 128, False)[0].field_seed == first != last
