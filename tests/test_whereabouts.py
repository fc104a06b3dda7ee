"""Where and when from headers: scale, time, pointing and site, against astropy and print."""

import math
from datetime import UTC, datetime

import pytest
from astropy.coordinates import Angle
from astropy.io.fits import Header
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st

from classifier.facts import facts_from_header
from classifier.header import as_sexagesimal

SHAPE = (100, 120)


def facts(shape=SHAPE, **cards):
    """Facts of a header; `_` in a keyword stands for `-`, a pair is a value and its comment."""
    header = Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    return facts_from_header(header, shape)


# --- scale --------------------------------------------------------------------------------------


def test_scale_from_optics():
    """3.76 um at 530 mm: the angle whose tangent it is, 1.4633 arcsec."""
    known = facts(XPIXSZ=3.76, FOCALLEN=530.0, APTDIA=106.0)
    exact = math.degrees(math.atan(3.76e-3 / 530.0)) * 3600.0
    # 206.265 is 206264.806 rounded to six digits: 1e-6 relative.
    assert known.scale_arcsec == pytest.approx(exact, rel=2e-6)
    assert known.focal_ratio == pytest.approx(5.0, rel=1e-12)
    assert facts(FOCALLEN=530.0).scale_arcsec is None


def celestial(**cards):
    axes = {"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRVAL1": 10.0, "CRVAL2": 40.0}
    return facts_from_header(Header({**axes, **cards}), SHAPE)


def test_scale_from_celestial_coordinates(capfd):
    turned = {"CD1_1": 3e-4, "CD1_2": 4e-4, "CD2_1": -4e-4, "CD2_2": 3e-4}
    # |(3, 4)| e-4 deg = 5e-4 deg = 1.8 arcsec.
    assert celestial(**turned, CUNIT1="degree").scale_arcsec == pytest.approx(1.8, rel=1e-9)
    assert capfd.readouterr() == ("", "")  # distortion terms that are not passed on
    by_step = celestial(CDELT1=-2e-4, CDELT2=2e-4, XPIXSZ=3.76, FOCALLEN=1000.0)
    assert by_step.scale_arcsec == pytest.approx(0.72, rel=1e-9)  # measured before nominal


@pytest.mark.parametrize(
    "cards",
    [
        {"CDELT1": 1.0, "CDELT2": 1.0},  # never set
        {"CD1_1": 0.0, "CD2_2": 0.0},
        {"CD1_1": "text", "CD2_2": 1e-4},
        {"CDELT1": 1e-4, "CDELT2": 1e-4, "CUNIT1": "furlong"},
    ],
)
def test_bad_coordinates_give_no_scale(cards):
    assert celestial(**cards).scale_arcsec is None


# --- time ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "2024-05-01T22:10:03",
        "2024-05-01T22:10:03.5",
        "2024-05-01T22:10:03.1234567",
        "1996-10-14T10:14:36.123",  # FITS 4.0, section 9.1.1
        "2016-12-31T23:59:59.9",
        "2024-05-01T22:10",
    ],
)
def test_iso_dates_against_astropy(text):
    expected = Time(text, scale="utc").to_datetime(timezone=UTC)
    # Both round to microseconds, not always the same way.
    assert abs((facts(DATE_OBS=text).time_utc - expected).total_seconds()) <= 1.1e-6


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ({"DATE_OBS": "2020-12-09", "TIME_OBS": " 12:33:40.0"}, datetime(2020, 12, 9, 12, 33, 40)),
        ({"DATE_OBS": "2013-07-13", "UT": "00:57:33"}, datetime(2013, 7, 13, 0, 57, 33)),
        ({"DATE_OBS": "2013-07-13"}, datetime(2013, 7, 13)),
        ({"DATE_OBS": "26/10/92"}, datetime(1992, 10, 26)),
        ({"DATE_OBS": "2024-05-01T22:10:00Z"}, datetime(2024, 5, 1, 22, 10)),
        ({"DATE_OBS": "2024-05-01T22:10:00+02:00"}, datetime(2024, 5, 1, 20, 10)),
        ({"DATE_OBS": "2024-05-01 22:10:00"}, datetime(2024, 5, 1, 22, 10)),
        ({"DATE_OBS": "nonsense", "MJD_OBS": 60431.5}, datetime(2024, 5, 1, 12)),
    ],
)
def test_other_forms_of_time(cards, expected):
    assert facts(**cards).time_utc == expected.replace(tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [
        *("26/07/102", "2024-13-01", "2024-02-30T10:00:00", "2024-05-01T25:00:00", "0001-01-01"),
        *("soon", "", "2024-05-01T22:10:99", "9999-12-31T23:59:60", "20240501", 20240501, 2024.3),
    ],
)
def test_bad_dates_are_unknown(text):
    assert facts(DATE_OBS=text).time_utc is None


def test_modified_julian_date_against_astropy():
    mjd = 59000.123456
    expected = Time(mjd, format="mjd", scale="utc").to_datetime(timezone=UTC)
    # A double of 59000 resolves 7e-12 days, under a microsecond.
    assert abs((facts(MJD_OBS=mjd).time_utc - expected).total_seconds()) < 2e-6


# --- place --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cards", "ra_deg", "dec_deg"),
    [
        ({"RA": 114.574, "DEC": 89.99}, 114.574, 89.99),
        ({"OBJCTRA": "20 57 04.40", "OBJCTDEC": "+31 39 39.6"}, 314.26833, 31.661),
        ({"RA": "20:57:04.40", "DEC": "-00:55:31"}, 314.26833, -0.925278),
        ({"RA": (20.951222, "[h] right ascension, hours"), "DEC": 31.661}, 314.26833, 31.661),
        ({"RA": 400.0, "DEC": 10.0, "OBJCTRA": "1 0 0", "OBJCTDEC": "2 0 0"}, 15.0, 2.0),
        ({"RA": "text", "DEC": "text"}, None, None),
        ({"RA": 10.0}, None, None),
        ({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 1.0, "CRVAL2": 2.0}, 1.0, 2.0),
        ({"CRVAL1": 1.0, "CRVAL2": 2.0}, None, None),
    ],
)
def test_pointing(cards, ra_deg, dec_deg):
    known = facts(**cards)
    if ra_deg is None:
        assert known.ra_deg is None and known.dec_deg is None
    else:
        # The cases are written to 1e-5 deg.
        assert known.ra_deg == pytest.approx(ra_deg, abs=1e-5)
        assert known.dec_deg == pytest.approx(dec_deg, abs=1e-5)


@given(st.integers(0, 359), st.integers(0, 59), st.floats(0, 59.999), st.booleans())
def test_sexagesimal_against_astropy(first, minutes, seconds, negative):
    text = f"{'-' if negative else ''}{first:02d}:{minutes:02d}:{seconds:06.3f}"
    if not text.endswith("60.000"):
        assert as_sexagesimal(text) == pytest.approx(Angle(text, unit="deg").deg, abs=1e-9)


@pytest.mark.parametrize(
    "text", ["12:60:00", "12:00:60", "12", "a:b:c", "12:34:56:78", "1e3:00:00"]
)
def test_bad_sexagesimal(text):
    assert as_sexagesimal(text) is None


def test_site():
    known = facts(SITELAT="+46:52:00.408", SITELONG="-96 27 11.8")
    assert known.latitude_deg == pytest.approx(46.86678, abs=1e-5)
    assert known.longitude_deg == pytest.approx(-96.45328, abs=1e-5)
    assert facts(SITELONG=200.0).longitude_deg == -160.0
    assert facts(SITELONG=(70.8, "longitude, positive west")).longitude_deg == -70.8
    assert facts(SITELAT=91.0, SITELONG=400.0).latitude_deg is None


def test_altitude_from_airmass():
    """Kasten and Young 1989 (Applied Optics 28, 4735): 1.9943 at 30 deg, 5.586 at 10 deg.

    The plane-parallel form is 0.1 deg and 0.3 deg low there; the bounds allow a little more.
    """
    assert facts(AIRMASS=1.9943).altitude_deg == pytest.approx(30.0, abs=0.15)
    assert facts(AIRMASS=5.586).altitude_deg == pytest.approx(10.0, abs=0.4)
    assert facts(AIRMASS=1.9943, OBJCTALT=35.5).altitude_deg == 35.5
    assert facts(ALTITUDE=2000.0).altitude_deg is None  # the height of the site in metres
    assert facts(AIRMASS=0.5).altitude_deg is None
