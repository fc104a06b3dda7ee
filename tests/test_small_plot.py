"""Axes of small plots: round ticks inside, odd values on the edge, nothing divided by nought."""

import numpy as np
import pytest

from classifier.small_plot import axis_of, broken_lines


@pytest.mark.parametrize(
    "values", [[3.0], [0.0, 0.0], [1e-6, 2e-6], [-5.0, 12.5], [1e7, 1e7 + 1], [230, 1775]]
)
def test_ticks_are_round_and_inside(values):
    axis = axis_of(values)
    assert 2 <= len(axis.ticks) <= 8
    steps = np.diff([value for value, _ in axis.ticks])
    assert steps == pytest.approx(steps[0], rel=1e-3)
    lead = steps[0] / 10 ** np.floor(np.log10(steps[0] * (1 + 1e-9)))
    assert min(abs(lead - k) for k in (1, 2, 5, 10)) < 1e-3
    assert all(axis.low <= value <= axis.high for value, _ in axis.ticks)
    assert len({words for _, words in axis.ticks}) == len(axis.ticks)
    assert all(0 <= axis.share(value) <= 1 for value in values)


def test_one_far_value_does_not_press_the_others_flat():
    values = [2.0, 2.1, 2.2, 2.3, 2.4] * 8 + [40.0]
    axis = axis_of(values)
    assert axis.share(2.4) - axis.share(2.0) > 0.15
    assert axis.share(40.0) == 1.0


def test_small_differences_stay_small():
    axis = axis_of([1.0, 1.01], least_span=0.1)
    assert axis.share(1.01) - axis.share(1.0) == pytest.approx(0.01 / 0.12)


def test_lines_break_at_gaps():
    points = [(0, 1), (1, 1), None, (3, 2), None, (5, 2), (6, 3)]
    assert broken_lines(points) == ["0.0,1.0 1.0,1.0", "5.0,2.0 6.0,3.0"]
