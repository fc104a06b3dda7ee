"""The bar behind odd spikes, told from light that went through a pupil, and on astropy's sky."""

import astropy.units as u
import galsim
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS
from scipy import ndimage

from classifier.background import measure_background
from classifier.spike_bar import apart_deg, bar_text, sky_deg, stray_bar
from classifier.spikes import find_spikes
from classifier.stars import find_stars

SIDE = 512


def pupil(wave: float, *bars_deg: float) -> np.ndarray:
    """(512, 512) a round aperture with bars right across it, angles from +x towards +y; the longer
    the wave the smaller it counts."""
    y, x = (np.indices((SIDE, SIDE)) - (SIDE - 1) / 2) / (0.15 * SIDE / wave)
    is_open = np.hypot(x, y) <= 1
    for angle in bars_deg:
        turn = np.deg2rad(angle)
        is_open &= np.abs(-x * np.sin(turn) + y * np.cos(turn)) > 0.03
    return is_open.astype(float)


def light_through(*bars_deg: float) -> np.ndarray:
    """Far-field diffraction is the squared transform of the pupil (Fraunhofer); here over a band of
    waves that washes the rings out, and through a little seeing."""
    light = np.zeros((SIDE, SIDE))
    for wave in np.linspace(0.85, 1.15, 13):
        light += np.abs(np.fft.fftshift(np.fft.fft2(pupil(wave, *bars_deg)))) ** 2
    return ndimage.gaussian_filter(3e7 * light / light.sum(), 1.3)


def directions_of(light: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """The brightest directions (modulo 180) of a star's wings and the light in each."""
    middle = np.array(np.unravel_index(light.argmax(), light.shape))
    y, x = np.indices(light.shape) - middle[:, None, None]
    far = np.hypot(x, y)
    ring = (far > 30) & (far < 150)
    turn = np.rad2deg(np.arctan2(y, x)) % 180
    sums, _ = np.histogram(turn[ring], 90, (0, 180), weights=light[ring] * far[ring])
    is_peak = sums == ndimage.maximum_filter1d(sums, 9, mode="wrap")
    best = sorted(np.flatnonzero(is_peak), key=lambda k: -sums[k])[:count]
    return 2.0 * np.array(best) + 1.0, sums[best] - np.median(sums)


def spikes_of(*bars_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Direction and sigma of the spikes that the program's own search sees in such light."""
    light = light_through(*bars_deg)
    rng = np.random.default_rng(5)
    pixels = rng.normal(1000 + light, np.sqrt(100 + light)).astype(np.float32)
    background = measure_background(pixels)
    found = find_spikes(background, find_stars(background, None).stars, 3.0)
    assert found is not None
    return np.array(found.bars_deg), np.array(found.strength)


@pytest.mark.parametrize("angle", [20.0, 75.0, 140.0])
def test_a_pair_is_perpendicular_to_its_bar(angle):
    bar = stray_bar(*spikes_of(angle))
    assert bar is not None and bar.is_sure and bar.vanes_deg == ()
    assert apart_deg(bar.spike_deg, angle + 90) <= 2.5  # directions are sought every 2 degrees
    assert apart_deg(bar.bar_deg, angle) <= 2.5


def test_a_cable_beside_four_vanes_is_the_odd_one():
    bar = stray_bar(*directions_of(light_through(0.0, 90.0, 52.0), 3))
    assert bar is not None and bar.is_sure and not bar.along_vane
    assert apart_deg(bar.bar_deg, 52.0) <= 2.5
    assert (
        sorted(min(apart_deg(v, 0), apart_deg(v, 90)) <= 2.5 for v in bar.vanes_deg) == [True] * 2
    )
    told = bar_text(bar, None, None)
    assert (
        "nearest vane (91 degrees in the frame, 38 degrees away)" in told and "does not say" in told
    )


def test_galsim_spikes_of_one_strut():
    """galsim draws the strut itself; its angle counts from the vertical, counter-clockwise."""
    psf = galsim.OpticalPSF(
        lam=600,
        diam=0.1,
        nstruts=1,
        strut_thick=0.08,
        strut_angle=30 * galsim.degrees,
        pad_factor=4,
    )
    image = psf.drawImage(nx=401, ny=401, scale=0.5).array.astype(float)
    bar = stray_bar(*directions_of(image, 1))
    assert apart_deg(bar.bar_deg, 90 + 30) <= 2.5


@pytest.mark.parametrize(
    "pairs, sigma",
    [
        ([0.0, 90.0], [20.0, 15.0]),  # four vanes
        ([10.0, 70.0, 130.0], [9.0, 10.0, 11.0]),  # three vanes
        ([], []),
    ],
)
def test_regular_spiders_have_no_stray_bar(pairs, sigma):
    assert stray_bar(pairs, sigma) is None


def test_which_pair_is_odd():
    lone = stray_bar([40.0], [9.0])
    assert lone.bar_deg == 130.0 and lone.is_sure
    two = stray_bar([0.0, 50.0], [9.0, 14.0])
    assert two.bar_deg == 140.0 and not two.is_sure
    extra = stray_bar([5.0, 30.0, 65.0, 125.0], [9.0, 30.0, 10.0, 11.0])
    assert extra.bar_deg == 120.0 and extra.vanes_deg == (95.0, 155.0, 35.0)
    along = stray_bar([0.0, 90.0], [40.0, 10.0])
    assert along.along_vane and along.bar_deg == 90.0


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("camera_deg", [0.0, 33.0, 260.0])
def test_angle_on_the_sky_is_astropys(camera_deg, mirrored):
    turn = np.deg2rad(camera_deg)
    up = np.array([np.sin(turn), np.cos(turn)]) / 3600
    right = np.array([-np.cos(turn), np.sin(turn)]) / 3600 * (-1 if mirrored else 1)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], (50.0, 20.0)
    wcs.wcs.crpix, wcs.wcs.cd = [1, 1], np.stack((right, up), 1)
    for angle in (0.0, 25.0, 110.0):
        end = 100 * np.cos(np.deg2rad(angle)), 100 * np.sin(np.deg2rad(angle))
        here, there = (SkyCoord(*wcs.wcs_pix2world([p], 0)[0] * u.deg) for p in ((0, 0), end))
        expected = here.position_angle(there).deg
        assert apart_deg(sky_deg(angle, camera_deg, mirrored), expected) < 0.1


def test_text_says_how_it_lies_on_the_tube_and_where_to_lead_the_cable():
    told = bar_text(stray_bar([0.0, 90.0, 38.0], [10.0, 11.0, 20.0]), 0.0, False)
    # Spikes at 38: the bar at 128 in the frame; with +y to the north, +x to the west, from north
    # through east 128 - 90 = 38 degrees, 52 from the east-west line of the dovetail.
    assert "so the bar that makes it lies at 128 degrees" in told
    assert "position angle 38 degrees (about north-east to south-west)" in told
    assert "52 degrees from the line of the dovetail" in told
    assert "nearest vane (90 degrees in the frame, position angle 0, 38 degrees away)" in told
    assert "even curve" in bar_text(stray_bar([10.0], [9.0]), None, None)
    assert "behind that vane" in bar_text(stray_bar([0.0, 90.0], [40.0, 10.0]), None, None)
