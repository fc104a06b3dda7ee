"""What one frame says of its sky: painted skies of known unevenness, spectra and shapes."""

import numpy as np
from painted_sky import as_frame, gaussian, starfield

from classifier.measures import measure_frame
from classifier.sky_evidence import UNEVEN

SHAPE = (480, 640)
SKY, NOISE = 800.0, 12.0


def evidence_of(pixels, **facts):
    return measure_frame(as_frame(pixels, **facts)).evidence


def power_law_field(rms, slope=-11 / 3, seed=3):
    """Random field whose power falls as k^slope (Kolmogorov 1941 in two dimensions: -11/3)."""
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(SHAPE[0])[:, None], np.fft.rfftfreq(SHAPE[1])[None]
    k = np.hypot(fy * SHAPE[0], fx * SHAPE[1])
    amplitude = np.where(k >= 1, np.maximum(k, 1) ** (slope / 2), 0.0)
    phase = np.exp(2j * np.pi * rng.random(k.shape))
    picture = np.fft.irfft2(amplitude * phase, s=SHAPE)
    return rms * picture / picture.std()


def test_cloud_is_never_told_from_one_frame_but_an_uneven_sky_is():
    even = starfield(SHAPE, gaussian(3.5), sky=SKY, noise=NOISE)
    smooth = evidence_of(even)["clouds"]
    assert smooth.state == "unknown" and smooth.value < 0.5 * UNEVEN
    # The medians of 3 x 3 px scatter by about 0.41 of a pixel's noise (the efficiency of the
    # median of nine is 0.66: 1 / (3 sqrt(0.66))), so 40 ADU rms, of which the low-order fit
    # takes more than half, are several of these.
    uneven = evidence_of(even + power_law_field(40.0))["clouds"]
    assert uneven.state == "unknown" and 1.2 * UNEVEN < uneven.value < 40.0 / (0.41 * NOISE)


def test_steady_slope_is_no_uneven_sky():
    slope = 200.0 * np.linspace(-1, 1, SHAPE[1])[None].repeat(SHAPE[0], 0)
    picture = starfield(SHAPE, gaussian(3.5), sky=SKY, noise=NOISE) + slope
    assert evidence_of(picture)["clouds"].value < 0.5 * UNEVEN


def test_pedestal_bounds_the_sky_from_above_only():
    # 800 ADU as stored, of which a program added 100; what bias lies below that nobody says. A
    # slope of 60 ADU in all is at least 8.6 % of the 700 left: perhaps 15 % of the true sky.
    def slope(total_adu):
        return total_adu * (np.linspace(-0.5, 0.5, SHAPE[1])[None].repeat(SHAPE[0], 0))

    clean = starfield(SHAPE, gaussian(3.5), sky=SKY, noise=NOISE)
    slight = evidence_of(clean + slope(60.0), pedestal_adu=100.0)["gradient"]
    assert slight.state == "unknown"
    # The same with the offset known to be all of it: no.
    assert evidence_of(clean + slope(60.0), offset_adu=100.0)["gradient"].state == "no"
    # 160 ADU are 22.9 % of 700 at the least, and a fifth of the level as stored.
    steep = evidence_of(clean + slope(160.0), pedestal_adu=100.0)["gradient"]
    assert steep.state == "yes" and "at least" in steep.note
    assert 21.5 < steep.value < 24.3  # 6 % for the stars' weight in the fit
    bare = evidence_of(clean + slope(160.0))["gradient"]
    assert bare.state == "yes" and 18.8 < bare.value < 21.2
    # All but the noise was added: no sky is left to compare with.
    empty = evidence_of(clean + slope(160.0), pedestal_adu=780.0)["gradient"]
    assert empty.state == "unknown"


def test_a_dark_sky_says_nothing_of_steps_that_its_unevenness_would_hide():
    # 10 ADU of sky over an offset of 500: 30 % of it are 3 ADU, where bands of 8 ADU lie.
    rng = np.random.default_rng(5)
    bands = np.repeat(rng.normal(0, 8.0, SHAPE[0] // 20), 20)[:, None]
    dark = starfield(SHAPE, gaussian(3.5), sky=510.0, noise=NOISE) + bands
    found = evidence_of(dark, offset_adu=500.0)
    for key in ("vignetting", "gradient"):
        assert found[key].state == "unknown" and "dark sky" in found[key].note
    # Of a bright one they hide nothing.
    bright = evidence_of(dark, offset_adu=0.0)
    assert bright["vignetting"].state == bright["gradient"].state == "no"
