"""The overview of a frame: block means against scikit-image, whatever way the frame came in."""

import numpy as np
import pytest
import torch
from astropy.io import fits
from skimage.measure import block_reduce

from classifier.facts import Facts
from classifier.frame import read_frame
from classifier.frame_overview import BAND_VALUES, band_rows, block_means, overview_of
from classifier.views import make_views, physical_vector

SHAPES = [(64, 96), (131, 250), (70, 65), (4, 5), (3, 3), (402, 1021)]


def noise_frame(shape: tuple[int, int], seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return (1000 + 30 * rng.standard_normal(shape)).astype(np.float32)


def means(picture: np.ndarray, step: int) -> np.ndarray:
    """scikit-image's block means; it pads what is over, so that is cut off first."""
    high, wide = (side // step * step for side in picture.shape)
    return block_reduce(picture[:high, :wide].astype(np.float64), step, np.mean)


@pytest.mark.parametrize("shape", SHAPES)
def test_overview_is_block_means_and_row_maxima(shape):
    pixels = noise_frame(shape)
    overview = overview_of(pixels)
    # Float32 sums of four values near 1000 are right to some units in the last place, 6e-5 each.
    np.testing.assert_allclose(overview.half, means(pixels, 2), atol=3e-4)
    quarter = means(overview.half, 2)  # where a side is odd, what a half-size picture still holds
    np.testing.assert_allclose(overview.quarter, quarter, atol=3e-4)
    np.testing.assert_array_equal(overview.tops, pixels.max(axis=1))
    assert overview.half.dtype == overview.quarter.dtype == overview.tops.dtype == np.float32


@pytest.mark.parametrize("step", [1, 2, 3, 7])
def test_block_means_are_scikit_images(step):
    pixels = noise_frame((131, 250))
    np.testing.assert_allclose(block_means(pixels, step), means(pixels, step), atol=1e-3)


@pytest.mark.parametrize("step", [1, 2, 3, 4, 6, 8])
@pytest.mark.parametrize("corner", [(0, 0), (2, 4), (8, 4), (4, 6)])
def test_means_of_a_box_are_the_same_from_any_array(step, corner):
    pixels = noise_frame((243, 326))
    x0, y0 = corner
    box = (x0, y0, 320, 240)
    expected = means(pixels[y0:240, x0:320], step)
    found = overview_of(pixels).means(pixels, step, box)
    np.testing.assert_allclose(found, expected, atol=1e-3)


def test_bands_are_multiples_of_four_rows_and_fit_the_cache():
    for width in (1, 100, 6248, 1_000_000):
        rows = band_rows(width)
        assert rows % 4 == 0
        assert rows == 4 or rows * width <= BAND_VALUES


@pytest.mark.parametrize("kind", ["u2", "f4", "three dimensions", "gzip"])
def test_reading_a_file_gives_the_overview_of_its_pixels(tmp_path, kind):
    pixels = np.rint(noise_frame((401, 1022)))
    data = pixels.astype(np.float32 if kind == "f4" else np.uint16)
    path = tmp_path / ("a.fits.gz" if kind == "gzip" else "a.fits")
    fits.writeto(path, data[None] if kind == "three dimensions" else data)
    frame = read_frame(path)
    np.testing.assert_array_equal(frame.pixels, pixels)
    expected = overview_of(pixels)
    for name in ("half", "quarter", "tops"):
        np.testing.assert_array_equal(getattr(frame.overview, name), getattr(expected, name))


def test_overview_is_of_the_mended_pixels(tmp_path):
    pixels = noise_frame((200, 300))
    pixels[50, 60], pixels[120, 7] = np.nan, np.inf
    fits.writeto(tmp_path / "a.fits", pixels)
    frame = read_frame(tmp_path / "a.fits")
    assert np.isfinite(frame.overview.half).all()
    np.testing.assert_array_equal(frame.overview.tops, frame.pixels.max(axis=1))


def test_overview_of_a_colour_picture_is_of_its_mean_plane(tmp_path):
    planes = np.stack([noise_frame((100, 120), seed) for seed in range(3)])
    fits.writeto(tmp_path / "a.fits", planes)
    frame = read_frame(tmp_path / "a.fits")
    np.testing.assert_allclose(frame.overview.half, means(planes.mean(0), 2), atol=3e-4)


def test_views_are_the_same_with_the_overview_at_hand():
    pixels = noise_frame((403, 606))
    pixels[100:110, 200:210] += 500
    physical = physical_vector(Facts())[None]
    batch = torch.from_numpy(pixels)[None]
    without, given = make_views(batch, physical), make_views(batch, physical, overview_of(pixels))
    for name, own in vars(without).items():
        torch.testing.assert_close(getattr(given, name), own, rtol=1e-4, atol=1e-4)
