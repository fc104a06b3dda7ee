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
