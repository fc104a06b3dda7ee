"""Photometry against published tables and formulas; each value has its source beside it."""

import numpy as np
import pytest
from astropy import units as u

from synth import photometry as p


def test_one_magnitude_is_the_fifth_root_of_a_hundred():
    # Pogson's definition; 0.1 mag leaves 0.9120 and 1 mag 0.3981 of the light.
    assert p.flux_ratio(5.0) == pytest.approx(0.01, rel=1e-12)
    assert p.flux_ratio(0.1) == pytest.approx(0.9120, abs=5e-5)
    assert p.flux_ratio(1.0) == pytest.approx(0.3981, abs=5e-5)


@pytest.mark.parametrize(("angstrom", "photons"), [(5000, 1096.0), (5500, 996.3), (6563, 835.0)])
def test_ab_photons(angstrom, photons):
    # Oke & Gunn 1983 zero point, 3631 Jy; per s, cm2 and A. 0.1 %: the values have four digits.
    assert p.ab_photons(angstrom / 10) == pytest.approx(photons, rel=1e-3)
    # astropy's AB magnitude, by another road: its zero is 10^(-0.4 x 48.6), 3630.78 Jy, 6e-5 less.
    flux = (0 * u.ABmag).to(u.photon / u.s / u.cm**2 / u.AA, u.spectral_density(angstrom * u.AA))
    assert p.ab_photons(angstrom / 10) == pytest.approx(flux.value, rel=1e-4)


def test_vega_in_v_is_about_a_thousand_photons():
    # 3.63e-9 erg/s/cm2/A at 5450 A (Bessell, Castelli & Plez 1998, from memory): 996. Vega's V
    # band lies 0.02 mag from AB, and 1 % of slack for the quoted digits: 3 % together.
    assert p.ab_photons(545.0) == pytest.approx(996.0, rel=0.03)


@pytest.mark.parametrize(
    ("star20", "sky_mag", "published"),
    [(13.21, 21.7, 5.6), (13.25, 20.7, 14.1), (12.26, 20.1, 22.8), (8.92, 18.7, 60.2)],
)
def test_survey_sky_rates(star20, sky_mag, published):
    # PreCam survey's exposure-time page: 1.43 arcsec/px, star rates and sky rates in g, r, i, z;
    # its sky rates carry two or three digits: 1 %.
    assert p.sky_e_s(star20, sky_mag, 1.43) == pytest.approx(published, rel=0.01)


def test_small_telescope():
    # 100 mm, efficiency 0.5, 100 nm at 550 nm, 1.4633 arcsec/px; worked by hand from 996.3.
    star20 = p.star_e_s(20.0, 100.0, 0.5, 100.0)
    assert p.star_e_s(15.0, 100.0, 0.5, 100.0) == pytest.approx(39.1, rel=5e-3)
    assert p.sky_e_s(star20, 21.0, 1.4633) == pytest.approx(0.3335, rel=5e-3)
    assert p.sky_e_s(star20, 20.0, 1.4633) == pytest.approx(0.838, rel=5e-3)
    # A third of the diameter hides a ninth of the light.
    hidden = p.star_e_s(15.0, 100.0, 0.5, 100.0, obstruction=1 / 3)
    assert hidden / p.star_e_s(15.0, 100.0, 0.5, 100.0) == pytest.approx(8 / 9, rel=1e-12)


@pytest.mark.parametrize(
    ("zenith", "kasten", "pickering"),
    # Formulas and the values at 80 and 89.9 as in pvlib's own tests; 60, 85 and 90 worked from
    # the published formulas.
    [
        (60, 1.9943, 1.9932),
        (80, 5.586, 5.581),
        (85, 10.306, 10.334),
        (89.9, 36.467, 37.064),
        (90, 37.92, 38.75),
    ],
)
def test_airmass(zenith, kasten, pickering):
    assert p.airmass_kasten_young(zenith) == pytest.approx(kasten, abs=1.1e-3, rel=1.5e-4)
    assert p.airmass_pickering(zenith) == pytest.approx(pickering, abs=1.1e-3, rel=1.5e-4)


def test_airmass_is_the_secant_high_up():
    # At 60 degrees sec z is 0.3 % too large (pvlib's comparison); at 30 it is within 0.03 %.
    assert 2.0 / p.airmass_kasten_young(60.0) - 1 == pytest.approx(0.003, abs=0.0005)
    secant = 1 / np.cos(np.deg2rad(30.0))
    assert p.airmass_pickering(30.0) == pytest.approx(secant, rel=1e-3)


def test_extinction():
    # k 0.2, one more airmass: 0.2 mag, a factor of 0.8318.
    low, high = p.extinguished_mag(10.0, 0.2, 2.0), p.extinguished_mag(10.0, 0.2, 1.0)
    assert p.flux_ratio(low - high) == pytest.approx(0.8318, abs=5e-5)


def test_nanolambert():
    # Garstang 1986, eq. 19; 79.0 nL is the dark sky of Krisciunas & Schaefer 1991.
    assert p.nanolambert(21.587) == pytest.approx(79.0, rel=1e-3)
    assert p.v_mag_of(p.nanolambert(20.0)) == pytest.approx(20.0, abs=1e-9)


def test_moonlight_worked_example():
    # Documentation test of a published implementation: line of sight 20, Moon 70 degrees from
    # the zenith, 50 apart, phase angle 45, k 0.15: 19.855 mag/arcsec2. With the two airmasses
    # swapped it would be 18.781.
    nl = p.moonlight_nl(45.0, 50.0, 20.0, 70.0, 0.15)
    assert p.v_mag_of(nl) == pytest.approx(19.855, abs=0.001)
    assert nl == pytest.approx(389.5, rel=1e-3)


@pytest.mark.parametrize(
    ("phase", "change"), [(0, -2.93), (30, -2.22), (60, -1.54), (90, -0.88), (120, -0.34)]
)
def test_moonlight_by_phase(phase, change):
    # Zenith, Moon at zenith distance 60, k 0.172, on 21.587: Krisciunas & Schaefer's formulas
    # worked separately; two digits.
    lit = p.nanolambert(21.587) + p.moonlight_nl(phase, 60.0, 0.0, 60.0)
    assert p.v_mag_of(lit) - 21.587 == pytest.approx(change, abs=0.0055)


def test_moonlight_is_none_with_the_moon_down_and_steeper_near_it():
    assert p.moonlight_nl(0.0, 60.0, 30.0, 95.0) == 0.0
    near = p.moon_slope_pct_deg(21.5, 0.0, 20.0, 30.0, 40.0)
    far = p.moon_slope_pct_deg(21.5, 0.0, 80.0, 30.0, 40.0)
    # A field of 1 degree near a full Moon shows a few per cent, far from it hardly any
    # (common practice: keep 30 degrees away).
    assert 2.0 < near < 12.0
    assert abs(far) < 0.3 * near


@pytest.mark.parametrize(("phase", "mag"), [(0, -12.73), (60, -11.12), (90, -10.13), (120, -8.78)])
def test_moon_magnitude(phase, mag):
    # Krisciunas & Schaefer 1991, eq. 9.
    assert p.moon_v_mag(phase) == pytest.approx(mag, abs=0.006)


def test_moon_lit_share():
    assert p.moon_lit_share(60.0) == pytest.approx(0.75, abs=1e-12)
    assert p.moon_lit_share(90.0) == pytest.approx(0.5, abs=1e-12)
    assert p.moon_lit_share(120.0) == pytest.approx(0.25, abs=1e-12)


def test_separation_against_astropy():
    from astropy.coordinates import AltAz, SkyCoord

    one = SkyCoord(az=40 * u.deg, alt=55 * u.deg, frame=AltAz())
    two = SkyCoord(az=170 * u.deg, alt=20 * u.deg, frame=AltAz())
    expected = one.separation(two).deg
    assert p.separation_deg(35.0, 40.0, 70.0, 170.0) == pytest.approx(expected, abs=1e-6)


def test_moonlight_model_meets_the_measured_sky_at_full_moon():
    # TNG page, V: 21.8 dark and 18.5 at 14 days. The model with the Moon at 45 degrees on the
    # same dark sky must agree within its own 23 % and the page's 0.2 mag.
    model = p.nanolambert(21.8) + p.moonlight_nl(5.0, 45.0, 0.0, 45.0, 0.15)
    assert p.v_mag_of(model) == pytest.approx(18.5, abs=0.5)
