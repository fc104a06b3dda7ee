"""Scenes drawn ahead by worker processes, and the held-out sets rendered from them."""

from itertools import count
from pathlib import Path

import numpy as np
import pytest
import torch

from training.config import read_train_config
from training.data import CALIBRATION, CLEAN, EVALUATION, TRAINING, VALIDATION
from training.held_out import held_out_streams, rendered_sets
from training.planner import Planner
from training.ranks import Ranks
from training.stream import Stream

TINY = read_train_config(
    Path(__file__).parent.parent / "training" / "configs" / "tiny.toml"
).changed(
    shapes=[[128, 160]],
    shape_weights=[1.0],
    render_batch=8,
    validation_frames=8,
    calibration_frames=16,
    clean_frames=8,
    evaluation_frames=16,
)
CPU = torch.device("cpu")


class Timer:
    """What `held_out_streams` needs of a trainer."""

    device = CPU


@pytest.fixture(scope="module")
def planner():
    planner = Planner(TINY.changed(workers=1))
    yield planner
    planner.close()


def test_a_worker_draws_what_the_process_itself_would(planner):
    here = Planner(TINY).plans(TRAINING, 3)
    there = planner.plans(TRAINING, 3)
    for (index, plan), (number, drawn) in zip(here, there, strict=True):
        assert index == number
        assert np.array_equal(plan.defect_e, drawn.defect_e)
        assert np.array_equal(plan.truth.known, drawn.truth.known, equal_nan=True)


def test_it_begins_before_anybody_asks_and_ends_when_nobody_does(planner):
    plans = planner.plans(TRAINING)
    assert len(plans._ahead) == 2
    taken = next(iter(plans))
    assert taken[0] == 0
    later = planner.plans(TRAINING)
    later.leave()
    plans.leave()
    # The first are in work already; what comes after them is never drawn.
    assert later._ahead[-1][1].cancelled()


def test_each_of_several_processes_takes_its_own(planner):
    second = Planner(TINY, Ranks(1, 3)).plans(TRAINING, 8)
    assert [index for index, _ in second] == [1, 4, 7]


def test_held_out_sets_are_as_large_as_asked_for():
    sets = rendered_sets(held_out_streams(Planner(TINY), Timer()), TINY, lambda: 0.0)
    frames = {name: sum(map(len, parts)) for name, parts in sets.items()}
    assert frames == {VALIDATION: 8, CALIBRATION: 16, CLEAN: 8, EVALUATION: 16}
    assert list(sets) == [VALIDATION, CALIBRATION, CLEAN, EVALUATION]


def test_held_out_sets_stop_when_their_time_is_up():
    config = TINY.changed(minutes=1.0)
    clock = count(0.0, 60.0)
    sets = rendered_sets(held_out_streams(Planner(config), Timer()), config, lambda: next(clock))
    assert [sum(map(len, parts)) for parts in sets.values()] == [8, 8, 8, 8]


def test_threads_that_render_ahead_change_no_sample_and_no_order(planner):
    with Stream(Planner(TINY), TRAINING, CPU, 5) as rendered:
        alone = [sample.strength for sample in rendered]
    with Stream(planner, TRAINING, CPU, 5, renderers=2) as rendered:
        together = [sample.strength for sample in rendered]
    assert len(alone) == len(together) == 5
    for one, other in zip(alone, together, strict=True):
        assert torch.equal(one.nan_to_num(-1.0), other.nan_to_num(-1.0))


def test_a_stream_that_is_left_early_ends():
    with Stream(Planner(TINY), TRAINING, CPU, renderers=2) as rendered:
        assert len(next(rendered)) == 8
    # Its threads are joined where the block ends: that this line is reached is the test.


def test_what_goes_wrong_in_a_thread_is_raised_where_samples_are_asked_for(monkeypatch):
    def fail(*_: object) -> None:
        raise ValueError("no frames today")

    monkeypatch.setattr("training.stream.render_sample", fail)
    told = pytest.raises(ValueError, match="no frames today")
    with Stream(Planner(TINY), TRAINING, CPU, renderers=2) as rendered, told:
        next(rendered)


def test_a_stream_tells_how_long_it_waited_for_scenes():
    stream = Stream(Planner(TINY), VALIDATION, CPU, 1)
    with stream as rendered:
        assert [len(sample) for sample in rendered] == [8]
    assert stream.awaited_s > 0
