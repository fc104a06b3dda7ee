"""Objects handed from process to process through files."""

import numpy as np
import pytest

from synth.generate import draw_plan, render_plan
from training.parcel import unwrap, wrap


def test_a_plan_renders_the_same_frames_after_its_journey(tmp_path):
    plan = draw_plan(3, 0, 8, 160, 128)
    path = tmp_path / "plan"
    wrap(plan, path)
    arrived = unwrap(path)
    assert not path.exists()
    assert arrived.defect_e.flags.writeable
    sent, there = (render_plan(each, 3, 0) for each in (plan, arrived))
    assert np.array_equal(sent.pixels.numpy(), there.pixels.numpy())


def test_what_holds_no_array_travels_too(tmp_path):
    wrap({"a": [1, None]}, tmp_path / "thing")
    assert unwrap(tmp_path / "thing") == {"a": [1, None]}


def test_where_nothing_can_be_written_nothing_is_left(tmp_path):
    with pytest.raises(OSError):
        wrap(np.zeros(3), tmp_path / "missing" / "thing")
    assert list(tmp_path.iterdir()) == []
