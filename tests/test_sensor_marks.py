"""What stays on the sensor: known hot pixels among known cosmic rays, and shadows that stand."""

from types import SimpleNamespace

import numpy as np
import pytest

from classifier.sensor_marks import SAMPLE, dust_marks, hot_marks, sampled, sky_moved_px

HIGH, WIDE = 800, 1200


def window(places: np.ndarray, x0: int = 0, y0: int = 0) -> SimpleNamespace:
    hot = np.zeros((HIGH, WIDE), bool)
    hot[places[:, 1], places[:, 0]] = True
    return SimpleNamespace(x0=x0, y0=y0, hot=hot)


def drawn(rng: np.random.Generator, count: int) -> np.ndarray:
    return np.stack((rng.integers(0, WIDE, count), rng.integers(0, HIGH, count)), 1)


@pytest.mark.parametrize("steady, rays", [(900, 100), (200, 800), (6000, 600)])
def test_share_is_that_of_the_pixels_that_stay(steady, rays):
    """Also where a sub has more hot pixels than are kept of it."""
    rng = np.random.default_rng(1)
    own = drawn(rng, steady)
    samples = [sampled([window(np.concatenate((own, drawn(rng, rays))))]) for _ in range(8)]
    assert all(len(sample) <= SAMPLE for sample in samples)
    marks = hot_marks(samples)
    expected = steady / (steady + rays)
    # Binomial error of the pixels looked at, three sigma, and a per cent of chance meetings.
    allowed = 3 * (expected * (1 - expected) / min(8 * (steady + rays), 8 * SAMPLE)) ** 0.5 + 0.01
    assert marks.share == pytest.approx(expected, abs=allowed)
    assert marks.shares == pytest.approx([expected] * 8, abs=3 * 8**0.5 * allowed)


def test_a_pixel_that_flickers_counts_as_the_sensors():
    rng = np.random.default_rng(2)
    own = drawn(rng, 300)
    samples = [sampled([window(own[rng.random(300) < 0.5])]) for _ in range(12)]
    assert hot_marks(samples).share > 0.97


def test_samples_of_unequal_size_are_compared_fairly():
    rng = np.random.default_rng(3)
    own = drawn(rng, 3000)
    many = [sampled([window(np.concatenate((own, drawn(rng, 3000))))]) for _ in range(7)]
    marks = hot_marks([*many, sampled([window(own)])])
    assert marks.shares[:7] == pytest.approx([0.5] * 7, abs=0.06)
    # A third of the fuller subs' pixels are kept and two thirds of this one's: the others of it
    # may well be in the fuller ones.
    assert marks.shares[7] == pytest.approx(1.0, abs=0.01)


def test_windows_keep_the_frames_own_coordinates():
    places = sampled([window(np.array([[3, 5]]), x0=100, y0=40)])
    assert places.tolist() == [[103, 45]]


def test_too_little_tells_nothing():
    empty = np.zeros((0, 2), np.int32)
    assert hot_marks([empty, empty]) is None
    marks = hot_marks([empty] * 5)
    assert np.isnan(marks.share) and np.isnan(marks.shares).all()


def test_shadow_that_stands_is_told_from_those_that_move():
    rng = np.random.default_rng(4)
    discs = [
        [[500.0 + rng.normal(0, 1), 300.0 + rng.normal(0, 1), 30.0], [100.0 + 40 * i, 90.0, 20.0]]
        for i in range(10)
    ]
    discs[4] = discs[4][1:]
    marks = dust_marks(discs)
    assert len(marks) == 1
    assert (marks[0].subs, marks[0].of) == (9, 10)
    assert np.hypot(marks[0].x_px - 500, marks[0].y_px - 300) < 2
    assert dust_marks([[], []]) == []


def test_how_far_the_sky_moved():
    rng = np.random.default_rng(5)
    stars = np.c_[drawn(rng, 80), np.sort(rng.pareto(1.5, 80) + 1)[::-1]].astype(float)
    shifts = [(0, 0), (12, -5), (-9, 4)]
    fields = [np.add(stars, [*shift, 0]) for shift in shifts]
    assert sky_moved_px(fields) == pytest.approx(np.hypot(21, 9), abs=0.2)
    assert sky_moved_px(fields[:1]) is None
    assert sky_moved_px([stars[:3], stars[:3]]) is None
