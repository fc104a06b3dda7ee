"""Facts from headers: the standard's own examples, keywords in common use, and pure nonsense.

Where a case is common practice of capture programs and no standard, it is marked so.
"""

import math
import string
import subprocess
import sys
import warnings

import pytest
from astropy.io.fits import Header
from hypothesis import example, given, settings
from hypothesis import strategies as st

from classifier.facts import Facts, facts_from_header, kind_of
from classifier.header import as_number
from classifier.mosaic import bayer_at_origin

SHAPE = (100, 120)


def facts(shape=SHAPE, **cards):
    """Facts of a header; `_` in a keyword stands for `-`, a pair is a value and its comment."""
    header = Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    return facts_from_header(header, shape)


def test_empty_header_knows_nothing():
    assert facts_from_header({}, SHAPE) == Facts()


def test_import_needs_no_astropy(root):
    code = "import sys, classifier.facts, classifier.rig; sys.exit('astropy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0


# --- numbers ------------------------------------------------------------------------------------

NONSENSE = [0, -1, -1.5, math.nan, math.inf, "text", "", " ", True, None, [], 1e300, "1e-32"]


@pytest.mark.parametrize("value", NONSENSE)
@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("EXPTIME", "exposure_s"),
        ("EGAIN", "gain_e_adu"),
        ("RDNOISE", "read_noise_e"),
        ("SATURATE", "saturation_adu"),
        ("XPIXSZ", "pixel_um"),
        ("FOCALLEN", "focal_mm"),
        ("APTDIA", "aperture_mm"),
        ("XBINNING", "binning"),
    ],
)
def test_nonsense_numbers_are_unknown(key, name, value):
    found = getattr(facts_from_header({key: value}, SHAPE), name)
    # A flag stored as T is no number even where 1 would be sensible.
    assert found is None


def test_only_finite_numbers_are_numbers():
    assert [as_number(v) for v in (math.nan, math.inf, "-inf", True, 10**400)] == [None] * 5
    assert [as_number(v) for v in (2, " 1e3 ", -0.5)] == [2.0, 1000.0, -0.5]


def test_plain_numbers_and_numbers_written_as_text():
    known = facts(EXPTIME=" 300.0 ", EGAIN=0.8, READNOIS=1.6, SATURATE=65535, FOCALLEN="530")
    assert known.exposure_s == 300.0 and known.focal_mm == 530.0
    assert (known.gain_e_adu, known.read_noise_e, known.saturation_adu) == (0.8, 1.6, 65535.0)


def test_exposure_falls_back_where_the_first_keyword_is_nonsense():
    assert facts(EXPTIME=0.0, EXPOSURE=12.5).exposure_s == 12.5


@pytest.mark.parametrize(
    ("value", "comment", "gain", "setting"),
    [
        (1.9, "e-/ADU", 1.9, None),
        (1.9, "[e/ADU] detector gain", 1.9, None),
        (2.0, "electrons per ADU", 2.0, None),
        (2.0, "Gain in electrons/DN", 2.0, None),
        (1.9, "", None, 1.9),  # plausible as e/ADU, but nothing says so
        (120, "Sensor gain", None, 120.0),
        (139, "", None, 139.0),
        (0.5, "ADU/e-", None, 0.5),  # the inverse is not what is meant
    ],
)
def test_gain_counts_only_where_its_unit_is_stated(value, comment, gain, setting):
    known = facts(GAIN=(value, comment))
    assert (known.gain_e_adu, known.gain_setting) == (gain, setting)


def test_egain_wins_over_the_setting():
    known = facts(GAIN=(100, "camera setting"), EGAIN=0.25)
    assert (known.gain_e_adu, known.gain_setting) == (0.25, 100.0)


@pytest.mark.parametrize(
    ("cards", "offset"),
    [
        ({"OFFSET": 50}, None),  # a setting: 1 ADU a step on one camera, 10 or 16 on another
        ({"OFFSET": (256, "[ADU] bias level")}, 256.0),
        ({"BLKLEVEL": 30}, None),
        ({"BLKLEVEL": (240, "black level in ADU")}, 240.0),
        ({"PEDESTAL": 100}, None),  # added to a bias that nobody states
        ({"OFFSET": 10, "PEDESTAL": 100}, None),
        ({"BLKLEVEL": (240, "ADU"), "PEDESTAL": 100}, 240.0),
    ],
)
def test_offset_counts_only_in_adu(cards, offset):
    assert facts(**cards).offset_adu == offset


@pytest.mark.parametrize(
    ("value", "pedestal"),
    [(100, 100.0), (-100, 100.0), (0, None), ("none", None), (2e6, None)],
)
def test_pedestal_is_told_by_itself_whatever_its_sign(value, pedestal):
    # Negative: the correction that takes it off again (common practice).
    assert facts(PEDESTAL=value).pedestal_adu == pedestal


@pytest.mark.parametrize(
    ("cards", "pixel_um"),
    [
        ({"XPIXSZ": 7.52, "XBINNING": 2}, 7.52),  # common practice: after binning
        ({"XPIXSZ": (3.76, "unbinned pixel size in microns"), "XBINNING": 2}, 7.52),
        ({"XPIXSZ": (27.0, "Pixel Width in microns (after binning)"), "XBINNING": 3}, 27.0),
        ({"PIXSIZE1": 3.76, "XBINNING": 2}, 7.52),  # the camera's own
        ({"PIXSIZE": 4.65}, 4.65),
        ({"PIXSIZE": 4.65, "CCDSUM": "2 2"}, 9.3),
    ],
)
def test_pixel_is_the_binned_one(cards, pixel_um):
    assert facts(**cards).pixel_um == pytest.approx(pixel_um, rel=1e-12)


@pytest.mark.parametrize(
    ("cards", "binning"),
    [
        ({"XBINNING": 2, "YBINNING": 2}, 2),
        ({"XBINNING": 2}, 2),
        ({"XBINNING": 2, "YBINNING": 1}, None),
        ({"CCDSUM": "3 3"}, 3),
        ({"BINNING": "2x2"}, 2),
        ({"BINNING": "2x1"}, None),
        ({"BINNING": "0x0"}, None),
        ({"XBINNING": 1.5}, None),
    ],
)
def test_binning(cards, binning):
    assert facts(**cards).binning == binning


@pytest.mark.parametrize(
    ("value", "celsius"),
    [(-10.0, -10.0), (0, 0.0), ("13 C", 13.0), ("-5.5", -5.5), (180.2, None), (-999.9, None)],
)
def test_temperature(value, celsius):
    assert facts(CCD_TEMP=value).temperature_c == celsius


def test_bit_depth_is_the_pictures_own():
    header, primary = {"BITPIX": -32}, {"BITPIX": 8, "EXPTIME": 5.0}
    known = facts_from_header(header, SHAPE, primary)
    assert (known.bit_depth, known.exposure_s) == (None, 5.0)
    assert facts(BITPIX=16).bit_depth == 16


def test_texts_that_say_nothing_are_unknown():
    known = facts(FILTER=" Ha ", OBJECT="UNKNOWN", INSTRUME="", TELESCOP='= "Name "')
    assert (known.filter, known.target, known.camera, known.telescope) == ("Ha", None, None, "Name")


# --- mosaic -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "x", "y", "expected"),
    [
        ("RGGB", 0, 0, "RGGB"),
        ("RGGB", 1, 0, "GRBG"),
        ("RGGB", 0, 1, "GBRG"),
        ("RGGB", 1, 1, "BGGR"),
        ("GRBG", 1, 1, "GBRG"),
        ("RGGB", 2, -1, "GBRG"),
    ],
)
def test_mosaic_offsets(pattern, x, y, expected):
    assert facts(BAYERPAT=pattern, XBAYROFF=x, YBAYROFF=y).bayer == expected


def test_turning_an_even_height_over_swaps_the_rows():
    """RGGB and GBRG, GRBG and BGGR change places; for an odd height nothing does."""
    for top, turned in (("RGGB", "GBRG"), ("GBRG", "RGGB"), ("GRBG", "BGGR"), ("BGGR", "GRBG")):
        even = facts((100, 120), BAYERPAT=top, ROWORDER="BOTTOM-UP")
        odd = facts((101, 120), BAYERPAT=top, ROWORDER="bottom-up")
        straight = facts((100, 120), BAYERPAT=top.lower(), ROWORDER="TOP-DOWN")
        assert (even.bayer, odd.bayer, straight.bayer) == (turned, top, top)


@given(
    st.sampled_from(["RGGB", "BGGR", "GRBG", "GBRG"]),
    st.integers(-5, 5),
    st.integers(-5, 5),
    st.integers(2, 9),
)
def test_turning_over_twice_changes_nothing(pattern, x, y, height):
    straight = bayer_at_origin(pattern, x, y, None)
    turned = bayer_at_origin(straight, 0, 0, height)
    assert bayer_at_origin(turned, 0, 0, height) == straight
    assert sorted(turned) == ["B", "G", "G", "R"]


@pytest.mark.parametrize("value", ["TRUE", "MONO", "RGBG", "XTRANS", 3, ""])
def test_other_patterns_are_unknown(value):
    assert facts(BAYERPAT=value).bayer is None


def test_colour_planes_hold_no_mosaic():
    assert facts((3, 100, 120), BAYERPAT="RGGB").bayer is None
    assert facts(COLORTYP="GBRG").bayer == "GBRG"
    assert facts(FILTER="RGGB").bayer == "RGGB"


# --- kind ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "spellings"),
    [
        (
            "light",
            "light|Light Frame|LIGHT|Light_Frame|lights|object|OBJECT|science|sci|LightFrame",
        ),
        ("bias", "bias|Bias Frame|BIAS|zero|Zero|master bias|MasterBias|offset"),
        ("dark", "dark|Dark Frame|DARK|master dark|dark flat|DarkFlat|flat dark|FLATDARK"),
        ("flat", "flat|Flat Field|FLAT|skyflat|dome flat|Twilight Flat|twilight|master_flat"),
        (None, "|PolarAlign|focus|test|arc|snapshot|1|lightning"),
    ],
)
def test_kinds_as_they_are_spelt(kind, spellings):
    for spelling in spellings.split("|"):
        assert facts(IMAGETYP=spelling).kind == kind, spelling
    assert kind_of(None) is None


def test_kind_under_other_keywords():
    assert facts(FRAME="Dark").kind == "dark"
    assert facts(IMAGETYP="unheard of", OBSTYPE="BIAS").kind == "bias"


# --- garbage ------------------------------------------------------------------------------------

KEYS_IN_USE = (
    *("EXPTIME", "EXPOSURE", "EGAIN", "GAIN", "RDNOISE", "OFFSET", "PEDESTAL", "BLKLEVEL"),
    *("SATURATE", "XPIXSZ", "PIXSIZE1", "FOCALLEN", "APTDIA", "FOCRATIO", "CCD-TEMP"),
    *("XBINNING", "YBINNING", "CCDSUM", "BINNING", "BAYERPAT", "XBAYROFF", "YBAYROFF"),
    *("ROWORDER", "BITPIX", "FILTER", "OBJECT", "INSTRUME", "TELESCOP", "DATE-OBS", "TIME-OBS"),
    *("MJD-OBS", "IMAGETYP", "RA", "DEC", "OBJCTRA", "OBJCTDEC", "SITELAT", "SITELONG"),
    *("OBJCTALT", "AIRMASS", "CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2"),
    *("CDELT1", "CDELT2", "CD1_1", "CD1_2", "CD2_1", "CD2_2", "PC1_1", "CROTA2", "CUNIT1"),
)

ANYTHING = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=30),
    st.text("0123456789-+:/T .eEZ", max_size=30),
    st.sampled_from(["RA---TAN", "DEC--TAN", "RGGB", "BOTTOM-UP", "2x2", "2024-05-01T10:00:00"]),
    st.binary(max_size=5),
    st.lists(st.integers(), max_size=2),
    st.complex_numbers(),
)


def check_sane(known):
    for name, value in vars(known).items():
        if isinstance(value, float):
            assert math.isfinite(value), name
    positive = "exposure_s gain_e_adu read_noise_e offset_adu saturation_adu pixel_um focal_mm"
    for name in [*positive.split(), "aperture_mm", "binning", "scale_arcsec", "focal_ratio"]:
        value = getattr(known, name)
        assert value is None or value > 0, name
    assert known.time_utc is None or known.time_utc.tzinfo is not None
    assert known.bayer in (None, "RGGB", "BGGR", "GRBG", "GBRG")
    assert known.kind in (None, "light", "bias", "dark", "flat")


@settings(max_examples=300, deadline=None)
@given(st.dictionaries(st.sampled_from(KEYS_IN_USE), ANYTHING, max_size=20))
@example({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CDELT1": 0, "CDELT2": 0})
@example({"DATE-OBS": "9999-12-31T23:59:60", "MJD-OBS": 1e308})
@example({"XBAYROFF": 1e308, "BAYERPAT": "RGGB", "XBINNING": 1e308})
def test_garbage_never_raises(cards):
    check_sane(facts_from_header(cards, SHAPE))


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(KEYS_IN_USE), st.text(string.printable[:95], max_size=70), st.booleans()
        ),
        max_size=15,
    )
)
def test_garbage_cards_never_raise(cards):
    """Damaged cards as they would stand in a file; astropy parses them when they are asked for."""
    text = "".join(
        f"{key:8s}{'= ' if is_value else '  '}{value}"[:80].ljust(80)
        for key, value, is_value in cards
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # astropy's own, while it splits the text into cards
        header = Header.fromstring(text)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check_sane(facts_from_header(header, SHAPE))
