"""Values between pixels, sums, extremes and medians: held against SciPy's and NumPy's own."""

import warnings

import numpy as np
import pytest
from scipy import ndimage

from classifier.bilinear import between, between_each
from classifier.round_edges import _blurred, _of_3x3
from classifier.sweeps import known_medians, medians


@pytest.mark.parametrize("shape", [(2, 2), (7, 40), (61, 33)])
def test_values_between_pixels_are_scipys(shape):
    rng = np.random.default_rng(1)
    picture, other = rng.normal(0, 1, (2, *shape)).astype(np.float32)
    # Some places beyond each edge, some on pixels, the last row and column too.
    rows, columns = (rng.uniform(-3, side + 3, (3, 50)) for side in shape)
    rows[0], columns[0] = np.rint(rows[0]), np.rint(columns[0])
    rows[1, :2], columns[1, :2] = shape[0] - 1, shape[1] - 1
    # Places are rounded to float32, 4e-6 of a pixel here, between values that differ by up to 6.
    for one in (picture, other):
        expected = ndimage.map_coordinates(one, [rows, columns], order=1, mode="nearest")
        assert between(one, rows, columns) == pytest.approx(expected, abs=3e-5)
    both = between_each((picture, other), rows, columns)
    np.testing.assert_array_equal(both[1], between(other, rows, columns))


def test_extremes_and_sums_of_neighbours_are_scipys():
    picture = np.random.default_rng(2).normal(0, 1, (30, 47)).astype(np.float32)
    picture[4:7, 40:] = np.inf
    np.testing.assert_array_equal(_of_3x3(np.minimum, picture), ndimage.minimum_filter(picture, 3))
    np.testing.assert_array_equal(_of_3x3(np.maximum, picture), ndimage.maximum_filter(picture, 3))
    picture[4:7, 40:] = 5.0
    weights = np.array([1, 4, 6, 4, 1]) / 16
    expected = picture.astype(float)
    for axis in (0, 1):
        expected = ndimage.convolve1d(expected, weights, axis=axis, mode="nearest")
    assert _blurred(picture) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("count", [1, 2, 8, 33])
def test_medians_are_numpys(count):
    values = np.random.default_rng(count).integers(0, 9, (5, count, 7)).astype(np.float32)
    np.testing.assert_array_equal(medians(values, 1), np.median(values, 1))
    turned = np.ascontiguousarray(values.swapaxes(1, 2))
    np.testing.assert_array_equal(medians(turned), np.median(turned, -1))


@pytest.mark.parametrize("count", [1, 8, 9])
def test_medians_of_what_is_known_are_numpys(count):
    values = np.random.default_rng(count).normal(size=(40, count)).astype(np.float32)
    values[np.random.default_rng(1).random(values.shape) < 0.3] = np.nan
    values[0] = np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # nothing is known in a row
        expected = np.nanmedian(values, 1)
    np.testing.assert_array_equal(known_medians(values), expected)
    np.testing.assert_array_equal(known_medians(values.T, 0), expected)
    values = np.nan_to_num(values)
    np.testing.assert_array_equal(known_medians(values), np.median(values, 1))
