"""Sky brightness: published rates, the sky by the age of the Moon, moonlight typed anew."""

import numpy as np
import pytest
from bare_star import table
from frame_of_one_rig import expected, rig, scene

from synth import photometry as p

BY_MOON = table("sky_by_moon.csv")


@pytest.mark.parametrize(
    ("star20", "sky_mag", "published"),
    # PreCam survey's exposure-time page, g r i z y: rate of a star of 20 mag, sky, sky rate at
    # 1.43 arcsec/px. The published rates carry two or three digits: 1 %.
    [
        (13.21, 21.7, 5.6),
        (13.25, 20.7, 14.1),
        (12.26, 20.1, 22.8),
        (8.92, 18.7, 60.2),
        (2.12, 18.0, 27.3),
    ],
)
def test_survey_rates(star20, sky_mag, published):
    assert p.sky_e_s(star20, sky_mag, 1.43) == pytest.approx(published, rel=0.01)


def test_sky_by_age_of_the_moon():
    # The rows of the page are the skies that colours are read between.
    for band in "UBVRI":
        assert [row[band] for row in BY_MOON] == list(p.DARK_SITE_SKY_MAG[band])


@pytest.mark.parametrize(("band", "to_ab"), [("B", -0.09), ("R", 0.21), ("I", 0.45)])
def test_colour_of_the_sky(band, to_ab):
    # Rows of the page, Vega magnitudes, V to AB by 0.02 (Blanton & Roweis 2007, AJ 133, 734, from
    # memory): exact at the rows, between its neighbours' colours elsewhere, held beyond the ends.
    colours = [row[band] + to_ab - row["V"] - 0.02 for row in BY_MOON]
    for row, colour in zip(BY_MOON, colours, strict=True):
        assert p.sky_colour_mag(band, row["V"]) == pytest.approx(colour, abs=1e-9)
    between = p.sky_colour_mag(band, 20.15)
    assert min(colours[2:4]) <= between <= max(colours[2:4])
    assert p.sky_colour_mag(band, 22.5) == pytest.approx(colours[0], abs=1e-9)
    assert p.sky_colour_mag(band, 16.0) == pytest.approx(colours[-1], abs=1e-9)
    with pytest.raises(ValueError, match="sky band 'Q' is unknown"):
        p.sky_colour_mag("Q", 20.0)


@pytest.mark.parametrize(
    ("name", "centre_nm", "dark", "lit"), [("B", 450, 22.71, 19.01), ("R", 630, 21.11, 18.41)]
)
def test_broad_filters_see_the_sky_of_their_band(name, centre_nm, dark, lit):
    # The page's dark and full-Moon skies as AB magnitudes; electrons of a rig through the filter
    # over those of a star of the same magnitude give them back; V is taken for AB: 0.02.
    mine = rig(filter=name, band_nm=90.0, wavelength_nm=float(centre_nm))
    for v_mag, wanted in ((21.8, dark), (18.5, lit)):
        per_arcsec2 = mine.sky_e_s(v_mag) / mine.scale_arcsec**2
        band_mag = -2.5 * np.log10(per_arcsec2 / mine.zero_point_e_s)
        assert band_mag == pytest.approx(wanted, abs=0.021)


def test_extinction_of_the_same_site():
    assert p.EXTINCTION_MAG == {"U": 0.49, "B": 0.25, "V": 0.15, "R": 0.11, "I": 0.07}


@pytest.mark.parametrize(("band", "brightening"), [("B", 3.0), ("I", 1.2)])
def test_moon_is_blue(band, brightening):
    # Ten days from new the sky has risen by about 3 mag in B and 1.2 in I (Patat 2003, A&A 400,
    # 1183, sect. 7, at another site); the table says 2.5 and 1.5. Sites differ by half a magnitude.
    visual = [row["V"] for row in BY_MOON if row["days"] in (0, 10)]
    rise = visual[0] - visual[1]
    rise += p.sky_colour_mag(band, visual[0]) - p.sky_colour_mag(band, visual[1])
    assert rise == pytest.approx(brightening, abs=0.55)


def moonlight(phase: float, apart: float, zenith: float, moon: float, k: float) -> float:
    """Krisciunas & Schaefer 1991, PASP 103, 1033, eqs. 3, 15, 20, 21, typed anew, nL."""
    z, m, rho = np.deg2rad([zenith, moon, apart])
    airmass = [(1 - 0.96 * np.sin(a) ** 2) ** -0.5 for a in (z, m)]
    outside = 10 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4))
    near = 6.2e7 / apart**2 if apart < 10 else 10 ** (6.15 - apart / 40)
    scattered = 10**5.36 * (1.06 + np.cos(rho) ** 2) + near
    through = 10 ** (-0.4 * k * airmass[1]), 1 - 10 ** (-0.4 * k * airmass[0])
    return scattered * outside * through[0] * through[1]


@pytest.mark.parametrize("apart", [5.0, 20.0, 60.0, 120.0])
@pytest.mark.parametrize(("zenith", "moon", "k"), [(10.0, 50.0, 0.172), (60.0, 20.0, 0.3)])
def test_moonlight_typed_anew(apart, zenith, moon, k):
    # Two typings of the same equations: rounding only.
    for phase in (0.0, 45.0, 100.0):
        got = p.moonlight_nl(phase, apart, zenith, moon, k)
        assert got == pytest.approx(moonlight(phase, apart, zenith, moon, k), rel=1e-6)


def test_moonlight_of_the_published_documentation_example():
    # 19.855 mag/arcsec2 as in the documentation test of the open spectrograph simulator specsim:
    # line of sight 20 and Moon 70 degrees from the zenith, 50 apart, phase angle 45, k 0.15. With
    # the two airmasses swapped it would be 18.781.
    assert p.v_mag_of(moonlight(45.0, 50.0, 20.0, 70.0, 0.15)) == pytest.approx(19.855, abs=0.001)


def test_slope_towards_the_moon():
    # From the model itself, one degree nearer and farther, on a sky of 21.5; per cent per degree.
    # Steep near the Moon, gone at right angles to it, reversed beyond (light scatters forward and
    # back, cos^2).
    for apart in (15.0, 40.0, 60.0, 90.0, 130.0):
        levels = [
            p.nanolambert(21.5) + moonlight(20.0, apart + step, 30.0, 50.0, 0.172)
            for step in (0.5, -0.5)
        ]
        wanted = 100 * (levels[1] - levels[0]) / np.mean(levels)
        got = p.moon_slope_pct_deg(21.5, 20.0, apart, 30.0, 50.0, 0.172)
        assert got == pytest.approx(wanted, abs=0.01)


def test_moonlight_reaches_the_frame():
    # A sky 2.22 mag brighter (zenith, Moon at 60, phase angle 30, k 0.172, on 21.587): 7.73 times
    # the electrons; two digits of a magnitude make 0.5 %.
    lit = p.v_mag_of(p.nanolambert(21.587) + p.moonlight_nl(30.0, 60.0, 0.0, 60.0))
    frames = expected(scene(sky_mag=21.587), scene(sky_mag=lit))
    rise = np.median(frames[1]) / np.median(frames[0])
    assert rise == pytest.approx(10 ** (0.4 * 2.22), rel=0.006)
